"""A record read by a second process amounts to what it amounts to here, whatever it holds, and however it ends."""

import json
import multiprocessing
import os
from collections.abc import Iterator

import pytest

from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.replay.ahead import ReaderEndedError, piles_ahead
from mustwatch.replay.record import Misread, Pile, piles_of

FLOAT = Sensor(
    "float",
    SensorKind.FLOAT,
    "json",
    topic="f",
    fields=(
        Field(Quantity.GRAVITY, "sg", "SG"),
        Field(Quantity.TEMPERATURE, "temp", "C"),
        Field(Quantity.TIME, "t", "epoch_s"),
    ),
)
PACK = Sensor("pack", SensorKind.FLOAT, "senml", topic="p")
SENSORS = (FLOAT, PACK)
T0_S = 1_788_220_800


@pytest.fixture(autouse=True)
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have a second process read, also on a machine with one core."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1})


def record() -> list[bytes]:
    """Return lines of every kind: with a time and without, packs, retained, refused, unreadable."""
    lines: list[object] = []
    for i in range(700):
        payload: object = {"sg": 1.05, "temp": 19 + i % 5, "t": T0_S + 60 * i}
        if i % 7 == 1:
            payload = {"sg": 1.05}
        if i % 50 == 2:
            payload = {"sg": 9.0, "temp": "ü\ud800"}
        lines.append(
            {"tst": T0_S + 60 * i, "topic": "f", "payload": json.dumps(payload), "retain": int(i % 90 == 3)}
        )
        if i % 10 == 0:
            pack = [
                {"bn": "p/", "bt": T0_S + 60 * i, "n": "gravity", "u": "/", "v": 1.04},
                {"n": "gravity", "u": "/", "v": 9.0 if i % 20 else 1.03, "t": 60},
                {"n": "temperature", "u": "Cel", "v": 20.0, "t": 120},
            ]
            lines.append({"tst": T0_S + 60 * i, "topic": "p", "payload": json.dumps(pack)})
    text = [json.dumps(line).encode() for line in lines]
    return [*text[:300], b"nonsense", b"", b'{"topic": "x"}', *text[300:]]


def here() -> tuple[list[Pile], Misread]:
    """Return what the record amounts to in this process."""
    misread = Misread()
    return list(piles_of(record(), SENSORS, 100, misread)), misread


def test_a_pile_survives_being_packed() -> None:
    piles, _ = here()

    assert sum(len(pile.packs) for pile in piles) > 500
    assert any(pile.quarantined for pile in piles)
    for pile in piles:
        assert repr(Pile.unpacked(pile.packed())) == repr(pile)


def test_what_a_second_process_reads_is_what_this_one_reads() -> None:
    misread = Misread()

    with piles_ahead(record(), SENSORS, 100, misread) as piles:
        assert repr(list(piles)) == repr(here()[0])
    assert (
        misread
        == here()[1]
        == Misread(2, "line 301: not JSON; expected an object with tst, topic and payload")
    )


def test_a_record_that_cannot_be_read_on_is_not_taken_for_its_end(capfd: pytest.CaptureFixture[str]) -> None:
    def failing() -> Iterator[bytes]:
        yield from record()[:150]
        raise OSError("the card is gone")

    with piles_ahead(failing(), SENSORS, 100, Misread()) as piles:
        next(piles)
        with pytest.raises(ReaderEndedError):
            list(piles)
    assert "the card is gone" in capfd.readouterr().err


def test_a_reader_nobody_listens_to_any_more_ends() -> None:
    def endless() -> Iterator[bytes]:
        while True:
            yield from record()

    with piles_ahead(endless(), SENSORS, 100, Misread()) as piles:
        next(piles)
        assert [child.name for child in multiprocessing.active_children()] == ["record"]

    assert multiprocessing.active_children() == []


def test_on_one_core_it_is_read_in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0})
    monkeypatch.setattr("mustwatch.replay.ahead.multiprocessing.Pipe", None)
    misread = Misread()

    with piles_ahead(record(), SENSORS, 100, misread) as piles:
        assert repr(list(piles)) == repr(here()[0])
    assert misread == here()[1]
