"""Smaller attacks on pages, broker rules and paths, each of which once got through."""

import importlib.util
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from attack_table import Row
from starlette.datastructures import Headers

from cellars import T0, evaluate, new_store, readings
from mustwatch.store.backup import make_backup
from mustwatch.web.access import ATTEMPTS_OF_ALL, COOKIE, AccessRules, Gate, Tried
from mustwatch.web.guard import Guard, own_cookies
from web_cellar import Pages

PROJECT = Path(__file__).resolve().parents[2]


def a_gate() -> Gate:
    return Gate(AccessRules(token="the-right-one"), mono_s=time.monotonic, now_s=time.time)


def test_a_crowd_with_wrong_tokens_does_not_shut_the_right_one_out(row: Callable[[str], Row]) -> None:
    tried = row("wrong tokens from many addresses, then the right one")
    gate = a_gate()
    for i in range(ATTEMPTS_OF_ALL + 5):
        gate.try_token("wrong", f"10.0.0.{i}")
    assert gate.try_token("wrong", "10.0.1.1") is Tried.WAIT
    assert gate.try_token("the-right-one", "10.0.1.2") is Tried.ADMITTED
    tried.tried = ATTEMPTS_OF_ALL + 7


def test_a_foreign_cookie_before_ours_hides_nothing(row: Callable[[str], Row]) -> None:
    tried = row("a foreign cookie before ours")
    gate = a_gate()
    session = gate.new_session()
    for before in ("x[y]=1", f"{COOKIE}=stranger", 'bad="', "=;;"):
        headers = Headers({"cookie": f"{before}; {COOKIE}={session}"})
        assert session in own_cookies(headers)
        guard = Guard(None, gate, None)  # type: ignore[arg-type]
        assert guard._cookies(headers) == {COOKIE: session}
        tried.tried += 1


@pytest.mark.parametrize(
    "path", ["/night?date=9999-12-31", "/night?date=0001-01-01", "/api/night?date=9999-12-31"]
)
def test_a_night_beyond_all_instants_is_refused_not_a_fault(
    pages_over: Callable[..., Pages], path: str, row: Callable[[str], Row]
) -> None:
    row(f"{path}").tried = 1
    assert pages_over().client.get(path).status_code in (400, 404, 422)


@pytest.mark.parametrize(
    "topic", ["cellar/#", "+/float", "cellar/a\nuser mustwatch\ntopic write #", "$SYS/x"]
)
def test_no_topic_of_a_sensor_becomes_a_rule_of_its_own(topic: str, row: Callable[[str], Row]) -> None:
    row(f"a sensor with the topic {topic!r}").tried = 1
    spec = importlib.util.spec_from_file_location("broker_access_tried", PROJECT / "deploy/broker_access.py")
    assert spec is not None
    assert spec.loader is not None
    access = importlib.util.module_from_spec(spec)
    sys.modules["broker_access_tried"] = access
    spec.loader.exec_module(access)

    with pytest.raises(access.AccessError, match="expected one topic"):
        access.writers({"float": (topic,)}, {})
    assert access.writers({"float": ("cellar/float",)}, {}) == {"float": ["cellar/float"]}


@pytest.mark.parametrize("name", ["ce#llar", "ce?llar", "ce%20llar"])
def test_a_backup_is_made_whatever_the_path_holds(
    tmp_path: Path, name: str, row: Callable[[str], Row]
) -> None:
    tried = row(f"a store in a folder called {name!r}")
    store = new_store(tmp_path / name / "c.db")
    evaluate(store, [readings(0.5)])
    made = make_backup(store.path, tmp_path / name / "backups", T0)
    store.close()
    tried.tried, tried.lost = 1, 48 - made.readings
    assert made.readings == 48
