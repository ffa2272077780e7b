"""The ``mustsim`` command: lists, writes, configures; refuses in one line."""

import json
import time
from datetime import datetime

import pytest
from typer.testing import CliRunner

from mustsim.cellar import run
from mustsim.cli import app
from mustsim.scenario import load, shipped_names

runner = CliRunner()


def mustsim(*words):
    return runner.invoke(app, [str(word) for word in words])


def test_list_names_every_scenario():
    listed = mustsim("list").stdout.splitlines()

    assert [line.split()[0] for line in listed] == shipped_names()


def test_write_prints_a_line_per_message_as_a_subscriber_would_print_it(tmp_path):
    assert mustsim("write", "kit", "--seed", 3, "--out", tmp_path / "kit.jsonl").exit_code == 0
    lines = [json.loads(line) for line in (tmp_path / "kit.jsonl").read_text().splitlines()]
    messages = run(load("kit"), 3).messages

    assert [(line["topic"], line["payload"].encode()) for line in lines] == [
        (m.topic, m.payload) for m in messages
    ]
    assert set(lines[0]) == {"tst", "topic", "qos", "retain", "mid", "payloadlen", "payload"}
    assert all(line["payloadlen"] == len(line["payload"].encode()) for line in lines)


def test_tst_is_when_it_was_sent_with_milliseconds_and_offset():
    first = json.loads(mustsim("write", "kit").stdout.splitlines()[0])
    told = datetime.fromisoformat(first["tst"])

    assert first["tst"].endswith("+01:00")
    assert round(told.timestamp() * 1000) == run(load("kit"), 1).messages[0].sent_ms


def test_the_truth_is_written_beside_it(tmp_path):
    mustsim("write", "stuck-forced", "--out", tmp_path / "m", "--truth", tmp_path / "truth.json")
    truth = json.loads((tmp_path / "truth.json").read_text())
    lot = truth["lots"]["country"]

    assert [event["kind"] for event in lot["events"]] == ["onset", "stall"]
    assert len(lot["t_ms"]) == len(lot["gravity"]) == len(lot["celsius"]) == 21 * 96 + 1
    assert truth["actions"][0]["what"] == "start"


def test_ending_now_ends_now():
    before = time.time()
    last = json.loads(mustsim("write", "kit", "--ending", "now").stdout.splitlines()[-1])

    assert before - 1 <= datetime.fromisoformat(last["tst"]).timestamp() <= time.time()


def test_a_variation_differs_and_repeats_itself():
    plain, one, again = (
        mustsim("write", "kit", *v).stdout for v in ((), ("--variation", 4), ("--variation", 4))
    )

    assert plain != one
    assert one == again


def test_config_prints_toml_with_the_entries_as_comments():
    printed = mustsim("config", "racking", "--port", 18830).stdout

    assert "port = 18830" in printed
    assert "# mustwatch record rack racked --to carboy" in printed


# (words, what the one line must say, exit status: 2 the input is wrong, 1 it could not be done)
REFUSED = [
    (("write", "nonesuch"), "scenario 'nonesuch' is not known", 2),
    (("write", "kit", "--format", "xml"), "--format 'xml'; expected one of senml, json, number", 2),
    (("write", "kit", "--ending", "yesterday"), "--ending 'yesterday'; expected 'now'", 2),
    (("write", "kit", "--ending", "2026-01-01T00:00:00"), "a time with its offset", 2),
    (("write", "kit", "--ending", "now", "--beginning", "now"), "expected at most one", 2),
    (("write", "kit", "--out", "/nowhere/kit"), "/nowhere/kit: cannot be written", 1),
    (("publish", "kit", "--speed", "fast"), "--speed 'fast'; expected 'max' or a number", 2),
    (("publish", "kit", "--speed", "-3"), "--speed '-3'", 2),
    (("publish", "kit", "--port", "1"), "broker 127.0.0.1:1: cannot connect", 1),
]


@pytest.mark.parametrize(("words", "says", "status"), REFUSED)
def test_what_cannot_be_done_is_said_in_one_line(words, says, status):
    result = mustsim(*words)

    assert result.exit_code == status
    assert says in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
