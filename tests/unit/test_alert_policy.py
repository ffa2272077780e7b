"""Whether to tell, as a table: what holds, what was told, when it is, and the reason that must come out."""

from dataclasses import replace
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from mustwatch.alerting import lifecycle
from mustwatch.alerting.alert import LOT_ENDED, Alert, Held, Raise, Telling
from mustwatch.alerting.message import MessageKind
from mustwatch.alerting.policy import Decision, Heard, Reason, decide
from mustwatch.alerting.rules import Digest, QuietHours, TellRules, TellTarget, Units, tomorrow_ms
from mustwatch.alerting.telling import tell
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, from_ms, to_ms
from mustwatch.watch.finding import FindingKind, Severity, Subject, kind_named, kinds

NOON_MS = 1_788_264_000_000  # 2026-09-01T12:00Z
NIGHT_MS = NOON_MS + 14 * HOUR_MS  # 02:00
MORNING_MS = NOON_MS + 19 * HOUR_MS  # 07:00

PHONE = TellTarget("phone")
SLEEPER = TellTarget("phone", quiet_hours=QuietHours.parse("22:00-07:00"))
URGENT_ONLY = TellTarget("phone", severities=frozenset({Severity.URGENT}))
OF_STUCK = TellTarget("phone", kinds=frozenset({"stuck"}))
DAILY = TellTarget("phone", digest=Digest.DAILY)  # at 09:00
WEEKLY = TellTarget("phone", digest=Digest.WEEKLY)  # on Mondays; 2026-09-01 is a Tuesday
NINE_MS = NOON_MS + 21 * HOUR_MS
MONDAY_MS = NINE_MS + 5 * DAY_MS
RULES = TellRules(targets=(PHONE,), units=Units(zone=UTC))

N, W, U = Severity.NOTICE, Severity.WARNING, Severity.URGENT
TOO_WARM = kind_named("too-warm")


def alert(
    severity: Severity = W,
    *,
    opened_ms: int = NOON_MS,
    noticed_ms: int | None = None,
    told: Telling | None = None,
    cleared_ms: int | None = None,
    acknowledged: bool = False,
    withdrawn: bool = False,
    kind: FindingKind = TOO_WARM,
    evidence: dict[str, float | int | str | None] | None = None,
    cleared_evidence: dict[str, float | int | str | None] | None = None,
) -> Alert:
    """Return an alert as the case wants it."""
    return Alert(
        f"{kind.name}-1",
        kind,
        Subject("Elder Red", "bucket-1"),
        (Raise(opened_ms, severity, evidence or {}),),
        noticed_ms if noticed_ms is not None else cleared_ms or opened_ms,
        cleared_ms=cleared_ms,
        cleared_evidence=cleared_evidence or {},
        acknowledged_ms=NOON_MS if acknowledged else None,
        is_withdrawn=withdrawn,
        tellings={} if told is None else {"phone": told},
    )


def told(severity: Severity = W, at_ms: int = NOON_MS, **more: object) -> Telling:
    """Return that a severity was told."""
    return replace(Telling(severity=severity, told_ms=at_ms, times=1), **more)  # type: ignore[arg-type]


LATER_MS = NOON_MS + 10 * MINUTE_MS

CASES = [
    # What opens is told.
    (alert(), PHONE, NOON_MS, Reason.FIRST_TELLING),
    # It is told once, and again a day later if nobody said that they know.
    (alert(told=told()), PHONE, LATER_MS, Reason.ALREADY_TOLD),
    (alert(told=told()), PHONE, NOON_MS + DAY_MS - 1, Reason.ALREADY_TOLD),
    (alert(told=told()), PHONE, NOON_MS + DAY_MS, Reason.REPEAT_DUE),
    (alert(U, told=told(U)), PHONE, NOON_MS + 4 * HOUR_MS, Reason.REPEAT_DUE),
    (alert(told=told(), acknowledged=True), PHONE, NOON_MS + DAY_MS, Reason.ACKNOWLEDGED),
    # Each reminder waits twice as long as the one before it, a week at most; an urgent one a day.
    (alert(told=told(repeats=1)), PHONE, NOON_MS + 2 * DAY_MS - 1, Reason.ALREADY_TOLD),
    (alert(told=told(repeats=1)), PHONE, NOON_MS + 2 * DAY_MS, Reason.REPEAT_DUE),
    (alert(told=told(repeats=9)), PHONE, NOON_MS + 7 * DAY_MS - 1, Reason.ALREADY_TOLD),
    (alert(told=told(repeats=9)), PHONE, NOON_MS + 7 * DAY_MS, Reason.REPEAT_DUE),
    (alert(U, told=told(U, repeats=9)), PHONE, NOON_MS + DAY_MS, Reason.REPEAT_DUE),
    # A target hears of the kinds it wants to hear of.
    (alert(kind=kind_named("stuck")), OF_STUCK, NOON_MS, Reason.FIRST_TELLING),
    (alert(U), OF_STUCK, NOON_MS, Reason.SEVERITY_NOT_WANTED),
    (alert(cleared_ms=LATER_MS), OF_STUCK, LATER_MS, Reason.SEVERITY_NOT_WANTED),
    # Who wants one message a day or a week hears at once of what is urgent alone, and of the rest by its hour.
    (alert(U), DAILY, NOON_MS, Reason.FIRST_TELLING),
    (alert(), DAILY, NOON_MS, Reason.HELD_FOR_DIGEST),
    (alert(), DAILY, NINE_MS - 1, Reason.HELD_FOR_DIGEST),
    (alert(), DAILY, NINE_MS, Reason.RELEASED),
    (alert(told=told(), cleared_ms=NINE_MS + 1), DAILY, NINE_MS + HOUR_MS, Reason.HELD_FOR_DIGEST),
    (alert(), WEEKLY, NINE_MS, Reason.HELD_FOR_DIGEST),
    (alert(), WEEKLY, MONDAY_MS - 1, Reason.HELD_FOR_DIGEST),
    (alert(), WEEKLY, MONDAY_MS, Reason.RELEASED),
    # A notice is said once.
    (alert(N, told=told(N)), PHONE, NOON_MS + 30 * DAY_MS, Reason.ALREADY_TOLD),
    # What gets worse is told; what gets better is not, nor is what gets as bad again as was told.
    (alert(U, told=told(W)), PHONE, LATER_MS, Reason.SEVERITY_ROSE),
    (alert(W, told=told(U)), PHONE, LATER_MS, Reason.ALREADY_TOLD),
    # A target hears what it wants to hear.
    (alert(W), URGENT_ONLY, NOON_MS, Reason.SEVERITY_NOT_WANTED),
    (alert(U), URGENT_ONLY, NOON_MS, Reason.FIRST_TELLING),
    # Whoever knows already need not be told.
    (alert(acknowledged=True), PHONE, NOON_MS, Reason.ACKNOWLEDGED),
    # Quiet hours hold back everything but what is urgent and still so.
    (alert(W), SLEEPER, NIGHT_MS, Reason.HELD_BY_QUIET_HOURS),
    (alert(N), SLEEPER, NIGHT_MS, Reason.HELD_BY_QUIET_HOURS),
    (alert(U), SLEEPER, NIGHT_MS, Reason.FIRST_TELLING),
    (alert(told=told()), SLEEPER, NOON_MS + DAY_MS + 12 * HOUR_MS, Reason.HELD_BY_QUIET_HOURS),
    (alert(U, told=told(U), cleared_ms=NIGHT_MS), SLEEPER, NIGHT_MS, Reason.HELD_BY_QUIET_HOURS),
    # In the morning it is let go, even if nothing of it is left.
    (alert(told=Telling(held=Held.QUIET_HOURS)), SLEEPER, MORNING_MS, Reason.RELEASED),
    (alert(told=Telling(held=Held.QUIET_HOURS), cleared_ms=NIGHT_MS), SLEEPER, MORNING_MS, Reason.RELEASED),
    (alert(told=Telling(held=Held.QUIET_HOURS), acknowledged=True), SLEEPER, MORNING_MS, Reason.ACKNOWLEDGED),
    # What was told is told to be over, if it was at least a warning.
    (alert(told=told(), cleared_ms=LATER_MS), PHONE, LATER_MS, Reason.CLEARED),
    (alert(told=told(is_end_told=True), cleared_ms=LATER_MS), PHONE, LATER_MS, Reason.ALREADY_TOLD),
    (alert(N, told=told(N), cleared_ms=LATER_MS), PHONE, LATER_MS, Reason.END_NOT_WORTH_TELLING),
    # Somebody may be bottling what was said to be finished.
    (
        alert(N, kind=kind_named("finished"), told=told(N), cleared_ms=LATER_MS),
        PHONE,
        LATER_MS,
        Reason.CLEARED,
    ),
    # A lot that ended takes its alerts with it: that is no news, told, held or never told.
    *(
        (
            alert(W, kind=kind, told=telling, cleared_ms=LATER_MS, cleared_evidence={LOT_ENDED: "bottled"}),
            PHONE,
            LATER_MS,
            Reason.ENDED_WITH_ITS_LOT,
        )
        for kind in kinds()
        for telling in (None, told(), Telling(held=Held.QUIET_HOURS))
    ),
    # What came and went before it could be told is told as past.
    (alert(cleared_ms=LATER_MS), PHONE, LATER_MS, Reason.CAME_AND_WENT),
    (alert(cleared_ms=LATER_MS), URGENT_ONLY, LATER_MS, Reason.SEVERITY_NOT_WANTED),
    (alert(cleared_ms=LATER_MS, acknowledged=True), PHONE, LATER_MS, Reason.ACKNOWLEDGED),
    # What never held is taken back from whoever was told of it, and from nobody else.
    (alert(N, told=told(N), cleared_ms=NOON_MS, withdrawn=True), PHONE, LATER_MS, Reason.WITHDRAWN),
    (alert(cleared_ms=NOON_MS, withdrawn=True), PHONE, LATER_MS, Reason.NEVER_TOLD),
    (alert(told=told(), cleared_ms=NOON_MS, withdrawn=True), SLEEPER, NIGHT_MS, Reason.HELD_BY_QUIET_HOURS),
    # What the daemon learnt more than six hours late waits for the digest, urgent or not.
    (alert(noticed_ms=NOON_MS + 6 * HOUR_MS), PHONE, NOON_MS + 6 * HOUR_MS, Reason.FIRST_TELLING),
    (alert(noticed_ms=NOON_MS + 6 * HOUR_MS + 1), PHONE, NOON_MS + 6 * HOUR_MS + 1, Reason.OLD_BACKLOG),
    (alert(U, noticed_ms=NOON_MS + 9 * HOUR_MS), PHONE, NOON_MS + 9 * HOUR_MS, Reason.OLD_BACKLOG),
    # A message that messages do not get through cannot get through.
    (
        alert(kind=kind_named("delivery-trouble"), evidence={"targets": "mail, phone"}),
        PHONE,
        NOON_MS,
        Reason.ITS_OWN_TROUBLE,
    ),
    (
        alert(kind=kind_named("delivery-trouble"), evidence={"targets": "mail, phone-2"}),
        PHONE,
        NOON_MS,
        Reason.FIRST_TELLING,
    ),
]


@pytest.mark.parametrize(("given", "target", "now_ms", "reason"), CASES)
def test_whether_to_tell(given: Alert, target: TellTarget, now_ms: int, reason: Reason) -> None:
    assert decide(given, target, RULES, now_ms).reason is reason


def test_every_reason_is_in_a_test() -> None:
    in_table = {reason for _, _, _, reason in CASES}
    below = {Reason.FLAPPING, Reason.HELD_WHILE_FLAPPING, Reason.SAID_BY_FLAPPING}

    assert in_table | below == set(Reason)


def test_what_waits_says_when_to_ask_again() -> None:
    assert decide(alert(), SLEEPER, RULES, NIGHT_MS) == Decision(
        Reason.HELD_BY_QUIET_HOURS, MORNING_MS, Reason.FIRST_TELLING
    )
    assert decide(alert(told=told()), PHONE, RULES, LATER_MS).due_ms == NOON_MS + DAY_MS


FOUR_TIMES = tuple(NOON_MS + n * MINUTE_MS for n in range(4))


def flapping(given: Alert, **heard: object) -> Decision:
    """Return the decision about an alert of a key that was told four times within the last minutes."""
    known = replace(Heard(FOUR_TIMES, None, LATER_MS, given.id), **heard)  # type: ignore[arg-type]
    return decide(given, PHONE, RULES, LATER_MS, known)


def test_the_fifth_message_within_an_hour_says_that_it_comes_and_goes() -> None:
    assert flapping(alert(noticed_ms=LATER_MS)).reason is Reason.FLAPPING


def test_after_an_hour_the_count_begins_anew() -> None:
    known = Heard(FOUR_TIMES, None, LATER_MS + HOUR_MS, "too-warm-1")

    assert decide(alert(), PHONE, RULES, LATER_MS + HOUR_MS, known).reason is Reason.FIRST_TELLING


def test_once_it_was_said_nothing_more_is_until_it_has_been_calm_for_an_hour() -> None:
    given = alert(noticed_ms=LATER_MS)

    held = flapping(given, flapping_ms=LATER_MS - 1)

    assert held == Decision(Reason.HELD_WHILE_FLAPPING, LATER_MS + HOUR_MS, Reason.FIRST_TELLING)
    calm = Heard(FOUR_TIMES, LATER_MS - 1, LATER_MS, given.id)
    assert decide(given, PHONE, RULES, LATER_MS + HOUR_MS, calm).reason is Reason.FIRST_TELLING


def test_what_came_and_went_meanwhile_is_covered_by_having_been_said_to_flap() -> None:
    given = alert(cleared_ms=LATER_MS)

    assert (
        flapping(given, flapping_ms=LATER_MS - 1, newest_id="a-later-one").reason is Reason.SAID_BY_FLAPPING
    )


def test_a_rise_to_urgent_gets_through_flapping() -> None:
    assert flapping(alert(U, told=told(W))).reason is Reason.SEVERITY_ROSE


def test_that_it_ferments_again_also_says_that_it_is_not_finished() -> None:
    given = alert(N, kind=kind_named("finished"), told=told(N), cleared_ms=LATER_MS)
    known = Heard(newest_id=given.id, is_said_otherwise=True)

    assert decide(given, PHONE, RULES, LATER_MS, known).reason is Reason.END_NOT_WORTH_TELLING


def test_a_clock_that_was_set_back_repeats_nothing() -> None:
    assert decide(alert(told=told()), PHONE, RULES, NOON_MS - 50 * 365 * DAY_MS).reason is Reason.ALREADY_TOLD


@pytest.mark.parametrize(
    ("now", "last", "following"),
    [
        ("2026-10-24T09:00+02:00", "2026-10-24T09:00+02:00", "2026-10-25T09:00+01:00"),
        ("2026-10-25T08:59+01:00", "2026-10-24T09:00+02:00", "2026-10-25T09:00+01:00"),
        ("2027-03-28T10:00+02:00", "2027-03-28T09:00+02:00", "2027-03-29T09:00+02:00"),
        ("2027-03-28T08:00+02:00", "2027-03-27T09:00+01:00", "2027-03-28T09:00+02:00"),
    ],
)
def test_a_digest_keeps_to_the_clock_on_the_wall_when_that_is_set(
    now: str, last: str, following: str
) -> None:
    """Europe/Vienna: 25 October 2026 has 25 hours, 28 March 2027 has 23 (IANA tz database)."""
    instants = [to_ms(datetime.fromisoformat(text)) for text in (now, last, following)]

    assert DAILY.digest_ms(instants[0], ZoneInfo("Europe/Vienna")) == (instants[1], instants[2])


@pytest.mark.parametrize("severity", [N, W, U])
def test_what_was_put_off_is_told_again_when_it_comes_due_whatever_its_severity(severity: Severity) -> None:
    due_ms = NOON_MS + 21 * HOUR_MS
    put_off = lifecycle.acknowledge(alert(severity, told=told(severity)), NOON_MS, due_ms)

    before = tell([put_off], due_ms - 1, RULES)
    then = tell([put_off], due_ms, RULES)
    after = tell(then.changed, due_ms + MINUTE_MS, RULES)

    assert before.messages == ()
    assert before.next_due_ms == due_ms
    assert [message.kind for message in then.messages] == [MessageKind.REPEAT]
    assert after.messages == ()


def test_tomorrow_is_the_next_morning_that_is_half_a_day_away() -> None:
    nine, zone = time(9), ZoneInfo("Europe/Vienna")

    def until(text: str) -> str:
        at_ms = to_ms(datetime.fromisoformat(text).replace(tzinfo=zone))
        return f"{from_ms(tomorrow_ms(at_ms, nine, zone)).astimezone(zone):%Y-%m-%d %H:%M}"

    assert until("2026-10-24 06:12") == "2026-10-25 09:00", "across the end of summer time"
    assert until("2026-10-24 20:30") == "2026-10-25 09:00"
    assert until("2026-10-24 23:30") == "2026-10-26 09:00"
