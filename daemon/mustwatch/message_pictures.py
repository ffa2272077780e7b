"""The chart that goes with a message, from the store: the curve around what it tells of."""

from zoneinfo import ZoneInfo

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerts_view import ABOUT_TEMPERATURE, AFTER_MS, BEFORE_MS, PICTURE_AT_MOST_MS
from mustwatch.deliver.deliverer import Picture
from mustwatch.must.bounds import GRAVITY_HIGH, GRAVITY_LOW
from mustwatch.must.sugar import brix_from_gravity
from mustwatch.night_page import night_page
from mustwatch.plan import plan_of
from mustwatch.review.chart_png import Chart, chart_png
from mustwatch.review.series import Point
from mustwatch.settings import Settings
from mustwatch.store.store import Store

GRAVITY_AT_LEAST = 0.006
CELSIUS_AT_LEAST = 4.0
"""A picture is never stretched further than this: the noise of a settled wine must look flat."""


def message_pictures(store: Store, settings: Settings, message: Message, now_ms: int) -> tuple[Picture, ...]:
    """Return a message's chart, or nothing where there is none to draw (a test, a digest of several)."""
    if message.kind is MessageKind.REVIEW:
        content = _night_png(store, settings, now_ms)
        return () if content is None else (Picture("night.png", "image/png", content),)
    if len(message.alert_ids) != 1:
        return ()
    alert = store.alerts.get(message.alert_ids[0])
    content = None if alert is None else alert_png(store, settings, alert, now_ms)
    return () if content is None else (Picture(f"{message.alert_ids[0]}.png", "image/png", content),)


def alert_png(store: Store, settings: Settings, alert: Alert, now_ms: int) -> bytes | None:
    """Return the curve around an alert about a lot as a PNG, or None."""
    lot = alert.subject.lot
    history = store.book.history().lots.get(lot) if lot is not None else None
    if lot is None or history is None:
        return None
    ends_ms = alert.cleared_ms if alert.cleared_ms is not None else now_ms
    until_ms = min(ends_ms + AFTER_MS, now_ms)
    begin_ms = max(alert.opened_ms - BEFORE_MS, until_ms - PICTURE_AT_MOST_MS)
    estimates = store.watching.estimates(lot, begin_ms, until_ms + 1)
    moments = tuple(ms for ms in (alert.opened_ms, alert.cleared_ms) if ms is not None)
    zone = ZoneInfo(settings.cellar.timezone)
    if alert.kind in ABOUT_TEMPERATURE:
        warmth = [
            Point(e.at_ms, _degrees(e.temperature_c, settings))
            for e in estimates
            if e.temperature_c is not None
        ]
        band = plan_of(settings).profile_for(history).band_in(history.stage_at(until_ms))
        edges = (_degrees(band.low_c, settings), _degrees(band.high_c, settings))
        return chart_png(_warmth(warmth, begin_ms, until_ms, settings, edges, moments))
    in_brix = settings.cellar.gravity_unit == "Bx"
    gravity = [Point(e.at_ms, _gravity(e.gravity, settings)) for e in estimates if e.gravity is not None]
    pattern, least = ("{:.1f} Bx", 1.5) if in_brix else ("{:.3f}", GRAVITY_AT_LEAST)
    return chart_png(
        Chart(
            gravity,
            begin_ms,
            until_ms,
            pattern,
            is_temperature=False,
            at_least=least,
            zone=zone,
            moments=moments,
        )
    )


def _night_png(store: Store, settings: Settings, now_ms: int) -> bytes | None:
    """Return the night's curve of the lot that was longest outside its band, else of the one that swung most."""
    night = night_page(store, settings, now_ms - 1, None)
    rows = [row for row in night["vessels"] if row["lot"] is not None and row["minimum"] is not None]
    if not rows:
        return None
    row = max(rows, key=lambda r: (r["minutes_above"] + r["minutes_below"], r["swing"]))
    pairs = zip(row["curve"]["at"], row["curve"]["values"], strict=True)
    warmth = [Point(at, _degrees(value, settings)) for at, value in pairs if at is not None]
    band = (
        None
        if row["band"] is None
        else tuple(_degrees(row["band"][side], settings) for side in ("low", "high"))
    )
    edges = (night["from_ms"], night["until_ms"])
    until_ms = min(night["shown_until_ms"], max(now_ms, night["until_ms"]))
    return chart_png(
        _warmth(
            warmth, night["shown_from_ms"], until_ms, settings, (band[0], band[1]) if band else None, edges
        )
    )


def _warmth(
    points: list[Point],
    begin_ms: int,
    until_ms: int,
    settings: Settings,
    band: tuple[float, float] | None,
    moments: tuple[int, ...],
) -> Chart:
    unit = settings.cellar.temperature_unit
    least = CELSIUS_AT_LEAST * (1.8 if unit == "F" else 1.0)
    return Chart(
        points,
        begin_ms,
        until_ms,
        f"{{:.1f}}°{unit}",
        is_temperature=True,
        at_least=least,
        zone=ZoneInfo(settings.cellar.timezone),
        band=band,
        moments=moments,
    )


def _degrees(celsius: float, settings: Settings) -> float:
    return celsius * 1.8 + 32.0 if settings.cellar.temperature_unit == "F" else celsius


def _gravity(gravity: float, settings: Settings) -> float:
    if settings.cellar.gravity_unit == "Bx" and GRAVITY_LOW <= gravity <= GRAVITY_HIGH:
        return brix_from_gravity(gravity)
    return gravity
