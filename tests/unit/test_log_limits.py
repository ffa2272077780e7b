"""The same line again and again is written twenty times a minute, and then says how often it was not."""

import logging

from mustwatch.app.log_limits import LINES_A_MINUTE, LimitedByKind


def record(line: int) -> logging.LogRecord:
    return logging.LogRecord(
        "asyncio", logging.ERROR, "events.py", line, "no descriptors left: %s", ("x",), None
    )


def test_a_kind_is_limited_for_a_minute_and_others_are_not() -> None:
    now = [0.0]
    limit = LimitedByKind(lambda: now[0])

    written = sum(limit.filter(record(1)) for _ in range(1000))
    assert written == LINES_A_MINUTE
    assert limit.filter(record(2))

    now[0] = 61.0
    again = record(1)
    assert limit.filter(again)
    assert "and 980 more of this kind" in again.getMessage()
