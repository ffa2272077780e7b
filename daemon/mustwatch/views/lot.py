"""A lot as pages and API show it: assembled from the store by one set of rules."""

from collections.abc import Iterable, Sequence
from datetime import timedelta
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.alerting.rules import Units
from mustwatch.alerting.wording import as_it_opened
from mustwatch.cellar.additions import Purpose
from mustwatch.cellar.book import Entry
from mustwatch.cellar.entry_json import entry_to_json
from mustwatch.cellar.history import CellarHistory, LotHistory, in_force
from mustwatch.cellar.instant import DAY_MS, from_ms, iso
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.cellar.sensor import SensorKind
from mustwatch.cellar.steps import fill
from mustwatch.cellar.transfer_rules import LOSSES
from mustwatch.cellar.vessel import best_fit_first
from mustwatch.config.plan import CellarPlan, measures_of, plan_of
from mustwatch.config.profiles import profile_names
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.book import line_json, told_of
from mustwatch.views.book_record import others
from mustwatch.views.book_words import what_was_done
from mustwatch.views.cellar import cellar_view, present_stage
from mustwatch.views.curves import (
    FEWEST_POINTS,
    MOST_POINTS,
    Window,
    check_points,
    estimate_curves,
    forecast_fan,
    room_curves,
    sensor_curves,
    whole_of,
)
from mustwatch.views.laid_over import found
from mustwatch.views.measured import malolactic_json, measured_json
from mustwatch.views.night_review import night_of
from mustwatch.views.overview import vessel_overview
from mustwatch.views.series import Point, Track, m4
from mustwatch.views.stages import spans_of
from mustwatch.views.strength import strength_now
from mustwatch.views.sulfite import sulfite_json
from mustwatch.watch.estimate import Estimate

SMALL_CURVE_MS = 7 * DAY_MS
SMALL_CURVE_POINTS = 160
"""A curve the size of a thumb: one column per two pixels."""
BESIDE_MS = 30 * DAY_MS
"""A window reaches no further than this before or beyond a lot's life; the forecast may."""
NIGHTS_SHOWN_MS = 62 * DAY_MS
"""In a longer window a night would be a hair's width."""
SHORTEST_WINDOW_MS = 60_000
"""Nobody can tell more from a window shorter than this."""


def small_curve(store: Store, lot: str, now_ms: int) -> dict[str, Any]:
    """Return a lot's last days as ``gravity`` and ``celsius``, each ``{at: [ms], values: []}``."""
    window = Window(now_ms - SMALL_CURVE_MS, now_ms)
    gravity, celsius = Track(), Track()
    for estimate in store.watching.each_estimate(lot, window.from_ms, window.until_ms + 1):
        gravity.note(estimate.at_ms, estimate.gravity)
        celsius.note(estimate.at_ms, estimate.temperature_c)
    return {
        "from_ms": window.from_ms,
        "until_ms": window.until_ms,
        "gravity": columns(m4(gravity, SMALL_CURVE_POINTS), 5),
        "celsius": columns(m4(celsius, SMALL_CURVE_POINTS), 2),
    }


def _days(estimates: Iterable[Estimate], zone: ZoneInfo) -> list[dict[str, Any]]:
    """Return for each local day the gravity at its end and the temperatures' extremes, the newest day first."""
    days: list[dict[str, Any]] = []
    for day, of_day in groupby(estimates, key=lambda e: from_ms(e.at_ms).astimezone(zone).date()):
        said = list(of_day)
        warmth = [e.temperature_c for e in said if e.temperature_c is not None]
        gravity = [e.gravity for e in said if e.gravity is not None]
        days.append(
            {
                "day": day.isoformat(),
                "gravity": _rounded(gravity[-1], 4) if gravity else None,
                "minimum": _rounded(min(warmth), 2) if warmth else None,
                "maximum": _rounded(max(warmth), 2) if warmth else None,
            }
        )
    return days[::-1]


def columns(points: Sequence[Point | None], digits: int) -> dict[str, list[Any]]:
    """Return points as two lists, which is half the bytes of a list of pairs of names; a hole is a None in both."""
    return {
        "at": [None if p is None else p.at_ms for p in points],
        "values": [None if p is None else round(p.value, digits) for p in points],
    }


def lots_view(store: Store, settings: Settings, now_ms: int, sought: str = "") -> list[dict[str, Any]]:
    """Return every lot in which the words sought stand, the newest first, each as a row of the cellar."""
    history, now, plan, alerts = (
        store.book.history(),
        store.watching.now(),
        plan_of(settings),
        store.alerts.open(),
    )
    rows = []
    for lot in sorted(history.lots.values(), key=lambda h: h.started_ms, reverse=True):
        if not found(lot, sought):
            continue
        stage = present_stage(lot, history, now, alerts, plan, now_ms)
        row = vessel_overview(lot.vessel or "", lot, now.get(lot.lot), strength_now(store, lot), stage)
        ended = {"ended_at": iso(lot.ended_ms), "ended_as": lot.ended_as}
        rows.append(row | {"vessel": lot.vessel, "vessels": list(lot.parts), **ended})
    return rows


def lot_view(store: Store, settings: Settings, lot: str, now_ms: int) -> dict[str, Any] | None:
    """Return what is known of a lot, its book included, or None if it is not in the book."""
    history = store.book.history()
    of_lot = history.lots.get(lot)
    if of_lot is None:
        return None
    plan = plan_of(settings)
    cellar = cellar_view(store, settings, now_ms)
    row = next((r for r in cellar["vessels"] if r["lot"] == lot), None)
    if row is None:
        now = store.watching.now()
        stage = present_stage(of_lot, history, now, store.alerts.open(), plan, now_ms)
        row = vessel_overview("", of_lot, now.get(lot), strength_now(store, of_lot), stage)
        row |= {"vessel": None, "next": [], "remember": [], "band": None}
    row |= {"litres": of_lot.litres, "parts": parts_public(of_lot)}
    profile = plan.profile_for(of_lot)
    start = of_lot.start
    whole = whole_of(of_lot, now_ms)
    estimates = store.watching.each_estimate(lot, whole.from_ms, whole.until_ms + 1)
    days = _days(estimates, ZoneInfo(settings.cellar.timezone))
    return {
        **row,
        "at": iso(now_ms),
        "ended_at": iso(of_lot.ended_ms),
        "ended_as": of_lot.ended_as,
        "must": start.must,
        "yeast": start.yeast,
        "profile_title": profile.title,
        "racking_gravity": profile.racking_gravity,
        "dry_gravity": profile.dry_gravity,
        "days": days,
        "alerts": [a for a in cellar["alerts"] if a["lot"] == lot],
        "measured": measured_json(of_lot.entries),
        "malolactic": malolactic_json(of_lot.entries, now_ms),
        "so2": sulfite_json(of_lot, plan, row["celsius"], now_ms),
        "timeline": _timeline(store, of_lot, settings),
        "choices": _choices(of_lot, history, plan, profile, now_ms),
    }


def parts_public(lot: LotHistory) -> list[dict[str, Any]]:
    """Return what stands in each of a lot's vessels, litres or null."""
    return [{"vessel": vessel, "litres": litres} for vessel, litres in lot.parts.items()]


def _timeline(store: Store, lot: LotHistory, settings: Settings) -> list[dict[str, Any]]:
    """Return the book's lines and what was told, newest first."""
    units = measures_of(settings)
    entries = store.book.entries(lot.lot)
    held = {e.id for e in in_force(entries)}
    lines = [_line(entry, held, units) for entry in entries]
    lines += [line_json(line.entry, line.standing, units) for line in others(lot) if line.entry is not None]
    for told in told_of(store.alerts.of_lot(lot.lot), plan_of(settings).rules.units):
        lines.append(
            {
                "at": iso(told.at_ms),
                "until": iso(told.until_ms),
                "kind": "told",
                "severity": told.severity,
                "words": told.words,
            }
        )
    return sorted(lines, key=lambda line: str(line["at"]), reverse=True)


def _line(entry: Entry, held: set[str], units: Measures) -> dict[str, Any]:
    standing = "holds" if entry.id in held else "undone" if entry.undone_ms is not None else "replaced"
    return entry_to_json(entry) | {"words": what_was_done(entry.what, units), "standing": standing}


def beginning(store: Store, settings: Settings, now_ms: int) -> dict[str, Any]:
    """Return what the form that begins a lot offers: free vessels, profiles."""
    return {
        "vessels": _free(store.book.history(), plan_of(settings), None, now_ms),
        "profiles": sorted(profile_names(settings.cellar.profiles_dir), key=lambda name: name != "default"),
    }


def _free(
    history: CellarHistory, plan: CellarPlan, litres: float | None, now_ms: int
) -> list[dict[str, Any]]:
    """Return the vessels that hold no lot, the one that fits a volume best first."""
    free = [v for v in plan.vessels.values() if history.lot_in(v.name, now_ms) is None]
    return [
        {"vessel": v.name, "kind": v.kind.value, "litres": v.litres} for v in best_fit_first(free, litres)
    ]


def _choices(
    lot: LotHistory, history: CellarHistory, plan: CellarPlan, profile: Profile, now_ms: int
) -> dict[str, Any]:
    """Return what the forms about a lot offer: free vessels, floats that could go along, sensors, steps."""
    places = {s.id: history.place(s.id, now_ms).vessel for s in plan.sensors.values() if not s.room}
    here = [sensor for sensor, vessel in places.items() if vessel in lot.parts]
    return {
        "vessels": _free(history, plan, lot.litres, now_ms),
        "here": here,
        "floats": [sensor for sensor in here if plan.sensors[sensor].kind is SensorKind.FLOAT],
        "sensors": [
            {"sensor": sensor, "kind": plan.sensors[sensor].kind.value, "vessel": vessel}
            for sensor, vessel in places.items()
            if vessel != lot.vessel or len(lot.parts) > 1
        ],
        "lots": sorted(o.lot for o in history.lots.values() if o.parts and o.lot != lot.lot),
        "parts": parts_public(lot),
        "losses": [fate.value.replace(" ", "-") for fate in LOSSES],
        "steps": [
            {"id": s.id, "do": fill(s.do, lot)} for s in profile.every_step if s.done_by in (None, "note")
        ],
        "stages": [stage.value for stage in Stage],
        "other_lots": [one for one in history.lots if one != lot.lot],
        "purposes": [purpose.value for purpose in Purpose],
    }


def lot_curves(
    store: Store,
    settings: Settings,
    lot: str,
    now_ms: int,
    begin_ms: int | None,
    end_ms: int | None,
    points: int,
    last_days: int | None = None,
) -> dict[str, Any] | None:
    """Return a lot's curves in a window (default: its whole life), or None if it is not in the book.

    ``last_days`` asks for the last days of its life, instead of a beginning and an end.

    Every curve has at most ``points`` points (40 to 2000), a hole counting as one, and keeps every extreme. Instants
    are milliseconds since the epoch, gravity is 20/20, temperatures are °C.
    """
    history = store.book.history().lots.get(lot)
    if history is None:
        return None
    plan = plan_of(settings)
    profile = plan.profile_for(history)
    whole = whole_of(history, now_ms)
    begin_ms = begin_ms if last_days is None else whole.until_ms - last_days * DAY_MS
    window = _window(whole, begin_ms, end_ms)
    most = min(max(points, FEWEST_POINTS), MOST_POINTS)
    estimated = estimate_curves(store.watching.each_estimate(lot, window.from_ms, window.until_ms + 1), most)
    spans = spans_of(store, history, profile, now_ms)
    fan = (
        forecast_fan(history, store.watching.now().get(lot, {}), profile)
        if history.ended_ms is None
        else None
    )
    return {
        "lot": lot,
        "from_ms": window.from_ms,
        "until_ms": window.until_ms,
        "whole": whole._asdict(),
        "now_ms": now_ms,
        "estimate": {
            "at": [point.at_ms for point in estimated.gravity],
            "gravity": [round(point.value, 5) for point in estimated.gravity],
            "gravity_sd": [_rounded(sd, 5) for sd in estimated.gravity_sd],
        },
        "celsius": columns(estimated.celsius, 2),
        "sensors": [
            {
                "sensor": curve.sensor,
                "kind": curve.kind,
                "gravity": columns(curve.gravity, 5),
                "celsius": columns(curve.celsius, 2),
            }
            for curve in sensor_curves(store, plan, history, window, most)
        ],
        "room": [
            {"sensor": sensor, "celsius": columns(said, 2)}
            for sensor, said in room_curves(store, plan, window, most)
        ],
        "checks": columns(check_points(history, window), 5),
        "entries": _marks(history, settings, window),
        "alerts": _told(store, lot, plan.rules.units, window, now_ms),
        "nights": nights_of(settings, window.from_ms, window.until_ms),
        "stages": [{"stage": s.stage.value, "from_ms": s.from_ms, "until_ms": s.until_ms} for s in spans],
        "bands": [
            {"from_ms": s.from_ms, "until_ms": s.until_ms, "low": s.band.low_c, "high": s.band.high_c}
            for s in spans
        ],
        "racking_gravity": profile.racking_gravity,
        "dry_gravity": profile.dry_gravity,
        "forecast": None
        if fan is None
        else {
            "gravity": [round(g, 5) for g in fan.gravity],
            "expected": fan.expected_ms,
            "earliest": fan.earliest_ms,
            "latest": fan.latest_ms,
        },
    }


def _window(whole: Window, begin_ms: int | None, end_ms: int | None) -> Window:
    """Return the window asked for, hardly beyond the lot's life and never empty."""
    low, high = whole.from_ms - BESIDE_MS, whole.until_ms + BESIDE_MS
    begin = whole.from_ms if begin_ms is None else min(max(begin_ms, low), high)
    end = whole.until_ms if end_ms is None else min(max(end_ms, low), high)
    return Window(begin, max(end, begin + SHORTEST_WINDOW_MS))


def _marks(lot: LotHistory, settings: Settings, window: Window) -> list[dict[str, Any]]:
    units = measures_of(settings)
    return [
        {"at_ms": e.at_ms, "kind": e.kind.value, "words": what_was_done(e.what, units)}
        for e in lot.entries
        if window.from_ms <= e.at_ms <= window.until_ms
    ]


def _told(store: Store, lot: str, units: Units, window: Window, now_ms: int) -> list[dict[str, Any]]:
    """Return what was told of a lot in a window, or still held in it."""
    return [
        {
            "at_ms": a.opened_ms,
            "until_ms": a.cleared_ms,
            "severity": a.severity.value,
            "words": as_it_opened(a, units),
        }
        for a in store.alerts.of_lot(lot)
        if not a.is_withdrawn
        and a.opened_ms <= window.until_ms
        and (a.cleared_ms or now_ms) >= window.from_ms
    ]


def nights_of(settings: Settings, begin_ms: int, end_ms: int) -> list[dict[str, int]]:
    """Return the nights of a window that is short enough to show them, milliseconds since the epoch."""
    zone = ZoneInfo(settings.cellar.timezone)
    window = Window(begin_ms, end_ms)
    if window.until_ms - window.from_ms > NIGHTS_SHOWN_MS:
        return []
    day = from_ms(window.from_ms).astimezone(zone).date() - timedelta(days=1)
    nights = []
    while day <= from_ms(window.until_ms).astimezone(zone).date():
        night = night_of(day, settings.cellar.night_begins, settings.cellar.night_ends, zone)
        if night.from_ms < window.until_ms and night.until_ms > window.from_ms:
            nights.append({"from_ms": night.from_ms, "until_ms": night.until_ms})
        day += timedelta(days=1)
    return nights


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
