"""Who may look: tokens, sessions, attempts, hosts, origins."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from mustwatch.web.access import (
    ATTEMPTS,
    ATTEMPTS_OF_ALL,
    ATTEMPTS_WINDOW_S,
    COOKIE,
    SESSION_LIFE_S,
    AccessRules,
    Gate,
    Tried,
)
from mustwatch.web.page_routes import own_path

TOKEN = "long enough a token"


@dataclass
class Time:
    mono_s: float = 0.0
    now_s: float = 1_800_000_000.0
    addresses: Iterator[str] = field(default_factory=lambda: (f"10.0.0.{n}" for n in range(1, 250)))


def gate(time: Time, token: str | None = TOKEN, base_url: str | None = None) -> Gate:
    return Gate(AccessRules(token, base_url), mono_s=lambda: time.mono_s, now_s=lambda: time.now_s)


def test_the_right_token_admits_and_a_wrong_one_does_not() -> None:
    guarded = gate(Time())

    assert guarded.try_token(TOKEN, "a") is Tried.ADMITTED
    assert guarded.try_token(TOKEN + "x", "a") is Tried.WRONG
    assert guarded.try_token("", "a") is Tried.WRONG


def test_after_five_wrong_tokens_even_the_right_one_has_to_wait() -> None:
    time = Time()
    guarded = gate(time)
    for _ in range(ATTEMPTS):
        assert guarded.try_token("guess", "a") is Tried.WRONG

    assert guarded.try_token(TOKEN, "a") is Tried.WAIT
    assert guarded.wait_s("a") == pytest.approx(ATTEMPTS_WINDOW_S)
    assert guarded.try_token(TOKEN, "b") is Tried.ADMITTED, "another address is not held up"
    time.mono_s += ATTEMPTS_WINDOW_S + 1
    assert guarded.try_token(TOKEN, "a") is Tried.ADMITTED


def test_a_crowd_of_addresses_guessing_slowly_has_to_wait_too() -> None:
    time = Time()
    guarded = gate(time)
    for _ in range(ATTEMPTS_OF_ALL):
        guarded.try_token("guess", next(time.addresses))

    assert guarded.try_token("guess", next(time.addresses)) is Tried.WAIT


def test_who_is_signed_in_stays_in_while_others_guess() -> None:
    guarded = gate(Time())
    session = guarded.new_session()
    for _ in range(ATTEMPTS + 1):
        guarded.try_token("guess", "a")

    assert guarded.admits(None, {COOKIE: session}, "a") is Tried.ADMITTED


def test_a_session_outlives_a_restart_and_ends_with_the_token_and_with_time() -> None:
    time = Time()
    session = gate(time).new_session()

    assert gate(time).is_session(session), "the key is made from the token"
    assert not gate(time, "another long token").is_session(session)
    time.now_s += SESSION_LIFE_S + 1
    assert not gate(time).is_session(session)


@pytest.mark.parametrize("cookie", ["", "x", "..", "1.2.3", "9" * 400, "١٢.a.b", "\x00", "a.b.é"])
def test_what_is_no_session_admits_nobody(cookie: str) -> None:
    assert not gate(Time()).is_session(cookie)


def test_a_session_cannot_be_made_older_or_younger() -> None:
    guarded = gate(Time())
    issued, chance, signature = guarded.new_session().split(".")

    assert not guarded.is_session(f"{int(issued) + 1}.{chance}.{signature}")


def test_a_form_belongs_to_the_session_it_was_shown_to() -> None:
    guarded = gate(Time())
    mine, other = guarded.new_session(), guarded.new_session()

    assert guarded.is_form_token(guarded.form_token(mine), mine)
    assert not guarded.is_form_token(guarded.form_token(mine), other)
    assert not guarded.is_form_token("", mine)
    assert not guarded.is_form_token(guarded.form_token(mine), None)


@pytest.mark.parametrize("host", ["localhost:8714", "127.0.0.1:8714", "[::1]:8714", "LOCALHOST"])
def test_without_a_token_the_pages_answer_to_this_machines_names(host: str) -> None:
    assert gate(Time(), token=None).is_known_host(host)


@pytest.mark.parametrize(
    "host", [None, "", "evil.example", "evil.example:8714", "localhost.evil.example", "[::1"]
)
def test_without_a_token_a_foreign_name_that_points_here_is_refused(host: str | None) -> None:
    assert not gate(Time(), token=None).is_known_host(host)


def test_the_base_address_names_us_too() -> None:
    guarded = gate(Time(), token=None, base_url="https://cellar.example/wine")

    assert guarded.is_known_host("cellar.example")
    assert guarded.is_own_origin("https://cellar.example", "127.0.0.1:8714")


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "http://localhost:1", "file://"])
def test_another_sites_page_sends_nothing(origin: str) -> None:
    assert not gate(Time()).is_own_origin(origin, "localhost:8714")


def test_our_own_pages_and_programs_without_an_origin_may_send() -> None:
    assert gate(Time()).is_own_origin("http://localhost:8714", "localhost:8714")
    assert gate(Time()).is_own_origin(None, "localhost:8714")


@pytest.mark.parametrize(
    "then",
    ["//evil.example", "/\\evil.example", "https://evil.example", "evil", "", "/\t/evil.example", "/a\\b"],
)
def test_signing_in_never_leads_to_another_site(then: str) -> None:
    assert own_path(then) == "/"


def test_signing_in_leads_back_to_where_one_wanted_to_go() -> None:
    assert own_path("/lot/Hillside%20red?from=1&until=2") == "/lot/Hillside%20red?from=1&until=2"
