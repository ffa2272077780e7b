"""The cellar record of a lot as lines for the terminal."""

from collections.abc import Iterator

from mustwatch.cellar.measures import Measures
from mustwatch.config.plan import measures_of
from mustwatch.config.settings import Settings
from mustwatch.views.book_record import BookRecord, Line, Standing, total_words
from mustwatch.views.book_words import gravity_words, what_was_done


def book_lines(record: BookRecord, settings: Settings) -> Iterator[str]:
    """Yield the record: what it is, what was done and told in order, what was added altogether."""
    units = measures_of(settings)
    yield from _head(record, units)
    yield ""
    for line in record.lines:
        yield from _line(line, units)
    if record.totals:
        yield ""
        yield "Added altogether:"
    for total in record.totals:
        times = f" in {total.times} additions" if total.times > 1 else ""
        yield f"  {total.what}: {total_words(total, units)}{times}"


def _head(record: BookRecord, units: Measures) -> Iterator[str]:
    lot = record.lot
    where = f"in {' and '.join(lot.parts)}" if lot.parts else "no longer in a vessel"
    yield f"{lot.lot}: {record.stages[-1].stage}, {where}, profile {lot.start.profile}"
    start, final = gravity_words(record.starting_gravity, units), gravity_words(record.final_gravity, units)
    if start and final:
        alcohol = ""
        if record.alcohol is not None:
            low, high = record.alcohol.abv_range_percent
            alcohol = f": about {record.alcohol.abv_percent:.1f} % vol ({low:.1f} to {high:.1f})"
        yield f"  from {start} to {final}{alcohol}"
    for size, count in record.bottles.items():
        yield f"  {count} bottles of {units.volume(size / 1000)}"


def _line(line: Line, units: Measures) -> Iterator[str]:
    when = f"{units.full_day(line.at_ms)}, {units.clock(line.at_ms)}"
    if line.told is not None:
        until = "" if line.told.until_ms is None else f" (until {units.moment(line.told.until_ms)})"
        yield f"{when:22}  ······  {line.told.words}{until}"
        return
    entry = line.entry
    assert entry is not None  # noqa: S101 (a line is one or the other)
    state = {
        Standing.UNDONE: " [undone]",
        Standing.REPLACED: " [corrected]",
        Standing.INHERITED: f" [{entry.lot}]",
    }.get(line.standing, "")
    yield f"{when:22}  {entry.id[:6]}  {what_was_done(entry.what, units)}{state}"
    if entry.despite is not None:
        yield f"{'':22}          although a rule refused it: {entry.despite}"
