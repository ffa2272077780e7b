"""The picture that goes with a message: the lot's last days around the one finding it tells of.

With the morning's review goes the night of one lot: of the one that was longest outside its band, else of the one
whose temperature swung most.
"""

import logging
from collections.abc import Callable, Sequence
from datetime import datetime

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import to_ms
from mustwatch.cellar.profile import Band, Profile
from mustwatch.config.plan import CellarPlan
from mustwatch.config.settings import Settings
from mustwatch.deliver.deliverer import Picture
from mustwatch.store.store import Store
from mustwatch.views.curves import Window as CurveWindow
from mustwatch.views.curves import check_points
from mustwatch.views.message_chart import (
    Chart,
    Known,
    Limit,
    Strip,
    Window,
    finding_caption,
    limit_text,
    message_chart,
    night_caption,
    window_of,
)
from mustwatch.views.night import night_view
from mustwatch.views.stages import Span, band_at, spans_of
from mustwatch.watch.finding import Curve, Drawn

log = logging.getLogger(__name__)

WITHOUT = frozenset({MessageKind.DIGEST, MessageKind.TEST})
"""Kinds of message that have no picture: they tell of several things, or of none."""


class MessagePictures:
    """Makes the pictures of messages. Reads the store only; safe to call from any thread."""

    def __init__(
        self, store: Store, settings: Settings, plan: CellarPlan, draw: Callable[[Chart], bytes]
    ) -> None:
        """Use a store, the configuration and the plan made of it, and what makes a PNG; nothing is read yet."""
        self._store = store
        self._settings = settings
        self._plan = plan
        self._draw = draw
        self._has_failed = False

    def __call__(self, message: Message) -> Sequence[Picture]:
        """Return the picture of a message, or none. Never raises: a message without it is better than no message."""
        try:
            is_review = message.kind is MessageKind.REVIEW
            if is_review:
                chart = night_chart(self._store, self._settings, self._plan, message.created_ms)
            else:
                chart = finding_chart(self._store, self._plan, message)
            if chart is None:
                return ()
            name = "night" if is_review else chart.quantity.value
            return (Picture(f"{name}.png", "image/png", self._draw(chart)),)
        except Exception:
            if not self._has_failed:  # once: it would fail alike for every message
                self._has_failed = True
                log.exception("messages go without pictures: one could not be drawn message=%s", message.id)
            return ()


def finding_chart(store: Store, plan: CellarPlan, message: Message) -> Chart | None:
    """Return the chart of a message about one finding, as of when it was put into the outbox; None if it has none."""
    if message.kind in WITHOUT or len(message.alert_ids) != 1:
        return None
    alert = store.alerts.get(message.alert_ids[0])
    drawn = None if alert is None else alert.kind.drawn
    if alert is None or drawn is None:
        return None
    lot = _lot_of(store, alert)
    if lot is None:
        return None
    told_ms = message.created_ms
    ends_ms = alert.cleared_ms if alert.cleared_ms is not None and alert.cleared_ms <= told_ms else None
    window = window_of(drawn.curve, alert.opened_ms, ends_ms, told_ms, lot.started_ms)
    profile = plan.profile_for(lot)
    is_gravity = drawn.curve is Curve.GRAVITY
    spans = spans_of(store, lot, profile, window.until_ms)
    known = Known(
        lot=lot.lot,
        quantity=drawn.curve,
        window=window,
        caption=finding_caption(alert.opened_ms, ends_ms, window, plan.rules.units),
        marks=[at for at in (alert.opened_ms, ends_ms) if at is not None],
        estimates=store.watching.estimates(lot.lot, window.from_ms, window.until_ms),
        checks=check_points(lot, CurveWindow(*window)) if is_gravity else (),
        strips=() if is_gravity else _strips(spans, window),
        limits=_gravity_limits(drawn, profile, plan) if is_gravity else _celsius_limits(alert, spans, plan),
    )
    return message_chart(known, plan.rules.units)


def night_chart(store: Store, settings: Settings, plan: CellarPlan, told_ms: int) -> Chart | None:
    """Return the night that ended last before an instant, of the lot whose night was the worst; None without one."""
    night = night_view(store, settings, told_ms - 1)
    rows = [row for row in night["vessels"] if row["lot"] is not None and row["minimum"] is not None]
    if not rows:
        return None
    row = max(rows, key=lambda r: (r["minutes_above"] + r["minutes_below"], r["swing"]))
    lot = store.book.history().lots[row["lot"]]
    window = Window(_ms(night["from"]), _ms(night["until"]))
    low_ms, high_ms = _ms(row["minimum_at"]), _ms(row["maximum_at"])
    spans = spans_of(store, lot, plan.profile_for(lot), window.until_ms)
    known = Known(
        lot=lot.lot,
        quantity=Curve.TEMPERATURE,
        window=window,
        caption=night_caption(row["minimum"], low_ms, row["maximum"], high_ms, plan.rules.units),
        marks=[low_ms, high_ms],
        estimates=store.watching.estimates(lot.lot, window.from_ms, window.until_ms),
        strips=_strips(spans, window),
        limits=_band_limits(band_at(spans, window.until_ms), None, plan),
    )
    return message_chart(known, plan.rules.units)


def _ms(iso_text: str) -> int:
    return to_ms(datetime.fromisoformat(iso_text))


def _lot_of(store: Store, alert: Alert) -> LotHistory | None:
    """Return the lot an alert is about: the one it names, or the one its sensor was with when it opened."""
    history = store.book.history()
    name = alert.subject.lot
    if name is None and alert.subject.sensor is not None:
        name = history.place(alert.subject.sensor, alert.opened_ms).lot
    return None if name is None else history.lots.get(name)


def _strips(spans: Sequence[Span], window: Window) -> list[Strip]:
    """Return the temperature band of every stage that is in the window."""
    return [
        Strip(max(s.from_ms, window.from_ms), min(s.until_ms, window.until_ms), s.band.low_c, s.band.high_c)
        for s in spans
        if s.from_ms < window.until_ms and s.until_ms > window.from_ms
    ]


def _gravity_limits(drawn: Drawn, profile: Profile, plan: CellarPlan) -> list[Limit]:
    """Return the gravities that matter: below what the wine is dry, and where racking is due."""
    values = {
        "dry_gravity": ("dry", profile.dry_gravity),
        "racking_gravity": ("rack", profile.racking_gravity),
    }
    return [
        Limit(value, f"{name} at {limit_text(value, Curve.GRAVITY, plan.rules.units)}", key == drawn.limit)
        for key, (name, value) in values.items()
        if key in ("dry_gravity", drawn.limit, drawn.beside)
    ]


def _celsius_limits(alert: Alert, spans: Sequence[Span], plan: CellarPlan) -> list[Limit]:
    """Return the edges of the band of then, and the limit that the finding is about."""
    drawn = alert.kind.drawn
    passed = None if drawn is None or drawn.limit is None else alert.evidence.get(drawn.limit)
    band = band_at(spans, alert.opened_ms)
    return _band_limits(band, float(passed) if isinstance(passed, int | float) else None, plan)


def _band_limits(band: Band, passed: float | None, plan: CellarPlan) -> list[Limit]:
    edges = {band.low_c: "limit", band.high_c: "limit"}
    if passed is not None:
        edges.setdefault(passed, "urgent limit")
    return [
        Limit(edge, f"{name} {limit_text(edge, Curve.TEMPERATURE, plan.rules.units)}", edge == passed)
        for edge, name in edges.items()
    ]
