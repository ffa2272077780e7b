"""From the configuration to what the core works with: nights by the wall clock, names of whom to tell."""

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from mustwatch.cellar.instant import to_ms
from mustwatch.config.plan import plan_of, target_names
from mustwatch.config.settings import Settings, load

VIENNA = ZoneInfo("Europe/Vienna")


def settings(folder: Path, text: str) -> Settings:
    path = folder / "mustwatch.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


@pytest.mark.parametrize(
    ("local", "is_night"),
    [
        ("2026-07-01T17:59", False),
        ("2026-07-01T18:00", True),
        ("2026-07-02T08:59", True),
        ("2026-07-02T09:00", False),
    ],
)
def test_a_night_follows_the_clock_on_the_cellar_s_wall(tmp_path: Path, local: str, is_night: bool) -> None:
    plan = plan_of(settings(tmp_path, '[cellar]\ntimezone = "Europe/Vienna"\n'))

    assert plan.is_night(to_ms(datetime.fromisoformat(local).replace(tzinfo=VIENNA))) is is_night


def test_the_night_s_hours_are_the_configured_ones(tmp_path: Path) -> None:
    text = '[cellar]\ntimezone = "Europe/Vienna"\nnight_begins = "01:00:00"\nnight_ends = "05:00:00"\n'
    plan = plan_of(settings(tmp_path, text))

    hours = [h for h in range(24) if plan.is_night(to_ms(datetime(2026, 7, 1, h, tzinfo=VIENNA)))]

    assert hours == [1, 2, 3, 4]


def test_whom_to_tell_keeps_its_name_when_the_list_is_put_in_another_order(tmp_path: Path) -> None:
    one, two = '[[tell]]\nurl = "json://one"\n', '[[tell]]\nurl = "json://two"\n'

    names = target_names(settings(tmp_path, one + two))

    assert target_names(settings(tmp_path, two + one)) == names[::-1]
    assert not any("one" in name or "two" in name for name in names)
