"""A cellar worked by commands only, on a scripted timeline: what the acceptance tests of the book stand on."""

import json
import math
import os
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from mustwatch.must.density import reading_from_gravity_20

VESSELS = (
    ("bucket", "bucket", 30),
    ("carboy", "carboy", 23),
    ("carboy-2", "carboy", 23),
    ("demijohn", "carboy", 5),
)
FLOAT = '[[sensor]]\nid = "float-1"\nkind = "float"\nvessel = "bucket"\ntopic = "cellar/float-1"\ndecoder = "senml"\n'


@dataclass(frozen=True)
class Done:
    """What a command came to."""

    code: int
    out: str
    err: str


class BookCellar:
    """A configuration and a store in a folder; day 0 is ``days_ago`` days before now."""

    def __init__(self, folder: Path, *, days_ago: float = 60.0, sensors: str = "") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.began = datetime.now(UTC).replace(microsecond=0) - timedelta(days=days_ago)
        vessels = "".join(
            f'[[vessel]]\nname = "{n}"\nkind = "{k}"\nlitres = {litres}\n' for n, k, litres in VESSELS
        )
        self.config = folder / "mustwatch.toml"
        cellar = '[cellar]\nname = "Test cellar"\ntimezone = "Europe/Vienna"\n'
        store = f'[store]\npath = "{folder / "cellar.db"}"\n'
        self.config.write_text(cellar + store + vessels + sensors, encoding="utf-8")

    def at(self, day: float) -> str:
        """Return a day of the script as ``--at`` takes it."""
        return (self.began + timedelta(days=day)).isoformat()

    def run(self, *words: str, day: float | None = None, stdin: str | None = None) -> Done:
        """Run a command, on a day of the script."""
        at = [] if day is None else ["--at", self.at(day)]
        program = [sys.executable, "-c", "from mustwatch.cli import main; main()", *words, *at]
        env = {**os.environ, "MUSTWATCH_CONFIG": str(self.config)}
        done = subprocess.run(program, capture_output=True, text=True, env=env, input=stdin, timeout=120)
        assert "Traceback" not in done.stderr, done.stderr
        return Done(done.returncode, done.stdout, done.stderr)

    def do(self, *words: str, day: float | None = None, stdin: str | None = None) -> str:
        """Run a command that must succeed; return what it said."""
        done = self.run(*words, day=day, stdin=stdin)
        assert done.code == 0, f"{' '.join(words)}: exit {done.code}\n{done.out}\n{done.err}"
        return done.out

    def json(self, *words: str) -> Any:
        """Return the JSON document of a command."""
        return json.loads(self.do(*words, "--json"))

    def hear(self, readings: Iterable[tuple[float, float, float]]) -> None:
        """Replay what the float said: (day, gravity 20/20 of the must, °C)."""
        lines = []
        for day, gravity, celsius in readings:
            at = self.began + timedelta(days=day)
            pack = [
                {
                    "bt": at.timestamp(),
                    "n": "gravity",
                    "u": "/",
                    "v": round(reading_from_gravity_20(gravity, celsius), 4),
                },
                {"n": "temperature", "u": "Cel", "v": round(celsius, 2)},
            ]
            lines.append(
                json.dumps({"tst": at.isoformat(), "topic": "cellar/float-1", "payload": json.dumps(pack)})
            )
        self.do("replay", "-", stdin="\n".join(lines))


def kit_gravity(day: float) -> float:
    """Return an invented kit wine's gravity: 1.050, through 1.010 after four days, ending at 0.995."""
    return 0.995 + 0.055 / (1.0 + math.exp(1.6 * (day - 3.2))) / (1.0 / (1.0 + math.exp(-5.12)))


def stuck_gravity(day: float) -> float:
    """Return an invented wine's gravity that stops at 1.018."""
    return 1.018 + 0.067 / (1.0 + math.exp(1.2 * (day - 3.5))) / (1.0 / (1.0 + math.exp(-4.2)))


def float_readings(
    gravity: Any, days: float, *, every_min: int = 15, out_of_the_wine: tuple[float, float] | None = None
) -> Iterable[tuple[float, float, float]]:
    """Yield a float's readings with a repeatable jitter; while out of the wine it lies on its side."""
    for i in range(int(days * 24 * 60 / every_min)):
        day = i * every_min / 1440
        jitter = 0.0008 * (((i * 7919) % 1000) / 500.0 - 1.0)
        celsius = 19.5 + 1.2 * math.sin(2 * math.pi * (day - 0.4))
        lying = out_of_the_wine is not None and out_of_the_wine[0] <= day < out_of_the_wine[1]
        yield day, (1.10 if lying else gravity(day) + jitter), celsius
