"""The cellar record of a lot as lines for the terminal."""

from collections.abc import Iterator
from datetime import tzinfo
from zoneinfo import ZoneInfo

from mustwatch.cellar.instant import from_ms
from mustwatch.cellar.measures import Measures
from mustwatch.config.plan import measures_of
from mustwatch.config.settings import Settings
from mustwatch.views.book_record import BookRecord, Line, Standing, total_words
from mustwatch.views.book_words import gravity_words, what_was_done


def book_lines(record: BookRecord, settings: Settings) -> Iterator[str]:
    """Yield the record: what it is, what was done and told in order, what was added altogether."""
    units = measures_of(settings)
    zone = ZoneInfo(settings.cellar.timezone)
    yield from _head(record, units, zone)
    yield ""
    for line in record.lines:
        yield from _line(line, units, zone)
    if record.totals:
        yield ""
        yield "Added altogether:"
    for total in record.totals:
        times = f" in {total.times} additions" if total.times > 1 else ""
        yield f"  {total.what}: {total_words(total)}{times}"


def _head(record: BookRecord, units: Measures, zone: tzinfo) -> Iterator[str]:
    lot = record.lot
    where = f"in {lot.vessel}" if lot.vessel is not None else "no longer in a vessel"
    yield f"{lot.lot}: {record.stages[-1].stage}, {where}, profile {lot.start.profile}"
    start, final = gravity_words(record.starting_gravity, units), gravity_words(record.final_gravity, units)
    if start and final:
        alcohol = ""
        if record.alcohol is not None:
            low, high = record.alcohol.abv_range_percent
            alcohol = f": about {record.alcohol.abv_percent:.1f} % vol ({low:.1f} to {high:.1f})"
        yield f"  from {start} to {final}{alcohol}"
    for size, count in record.bottles.items():
        yield f"  {count} bottles of {size:g} mL"


def _line(line: Line, units: Measures, zone: tzinfo) -> Iterator[str]:
    when = f"{from_ms(line.at_ms).astimezone(zone):%a %d %b %Y %H:%M}"
    if line.told is not None:
        until = ""
        if line.told.until_ms is not None:
            until = f" (until {from_ms(line.told.until_ms).astimezone(zone):%a %d %b %H:%M})"
        yield f"{when}  ······  {line.told.words}{until}"
        return
    entry = line.entry
    assert entry is not None  # noqa: S101 (a line is one or the other)
    state = {Standing.UNDONE: " [undone]", Standing.REPLACED: " [corrected]"}.get(line.standing, "")
    yield f"{when}  {entry.id[:6]}  {what_was_done(entry.what, units)}{state}"
    if entry.despite is not None:
        yield f"{'':21}          although a rule refused it: {entry.despite}"
