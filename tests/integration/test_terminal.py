"""Commands at a terminal, a real one (a pty), and in a pipe."""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from mustwatch.cellar.instant import DAY_MS
from mustwatch.views.need import by_need
from mustwatch.views.text_curve import text_curve
from mustwatch.watch.estimate import Estimate
from web_cellar import Pages

COLUMNS = 64
COLOUR = re.compile(r"\x1b\[[0-9;]*m")


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory, web_scene: Path) -> Path:
    from web_cellar import copied

    folder = tmp_path_factory.mktemp("terminal") / "cellar"
    copied(web_scene, folder)
    return folder / "mustwatch.toml"


def begun(config: Path, *words: str, no_colour: bool = False) -> tuple[subprocess.Popen[bytes], int]:
    """Begin a command at a terminal of its own; return it and the terminal's other end."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 50, COLUMNS, 0, 0))
    env = {**os.environ, "TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"}
    env.pop("COLUMNS", None)
    env.pop("NO_COLOR", None)
    if no_colour:
        env["NO_COLOR"] = "1"
    command = subprocess.Popen(
        [sys.executable, "-m", "mustwatch", "--config", str(config), *words],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env=env,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a job in the background ignores it
    )
    os.close(slave)
    return command, master


def seen(
    command: subprocess.Popen[bytes], master: int, enough: Callable[[str], bool] = lambda _: False
) -> str:
    """Return what stands on the terminal when the command has ended, or when it is enough."""
    said = b""
    while not enough(said.decode("utf-8", "ignore")):
        if not select.select([master], [], [], 30.0)[0]:
            raise AssertionError(f"nothing more for 30 s after: {said!r}")
        try:
            piece = os.read(master, 65536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        said += piece
    return said.decode("utf-8").replace("\r\n", "\n")


def at_terminal(config: Path, *words: str, no_colour: bool = False) -> str:
    command, master = begun(config, *words, no_colour=no_colour)
    try:
        said = seen(command, master)
        assert command.wait(30) == 0, said
        return said
    finally:
        os.close(master)


def piped(config: Path, *words: str) -> str:
    run = subprocess.run(
        [sys.executable, "-m", "mustwatch", "--config", str(config), *words],
        capture_output=True,
        text=True,
        check=True,
    )
    return run.stdout + run.stderr


def test_the_vessel_that_needs_you_most_stands_first(config: Path) -> None:
    said = piped(config, "cellar")

    marks = [
        re.findall(r"^  (!!|! |· ) ", block, re.M) for block in re.split(r"^(?=\S.*: )", said, flags=re.M)
    ]
    worst = [min(["!!", "! ", "· "].index(mark) for mark in found) for found in marks if found]
    assert len(worst) > 1
    assert worst == sorted(worst)
    assert said.index("bucket:") < said.index(": empty")


def test_a_terminal_has_colour_and_curves_and_is_not_written_past(config: Path) -> None:
    said = at_terminal(config, "cellar")

    assert "\x1b[36m" in said or "\x1b[33m" in said or "\x1b[31m" in said
    assert re.search(r"^    [▁▂▃▄▅▆▇█ ]{10,40}$", said, re.M)
    plain = COLOUR.sub("", said)
    assert [line for line in plain.split("\n") if len(line) > COLUMNS] == []
    assert "\x1b" not in plain


def test_without_colour_and_in_a_pipe_there_is_none(config: Path) -> None:
    bare, pipe = at_terminal(config, "cellar", no_colour=True), piped(config, "cellar")

    assert "\x1b" not in bare + pipe
    assert "█" in bare
    assert "█" not in pipe
    assert any(len(line) > COLUMNS for line in pipe.split("\n")), "what reads a pipe wants whole lines"


def test_alerts_say_what_to_do(config: Path) -> None:
    said = piped(config, "alerts")

    alerts = re.findall(r"^(?:!!|! |· ) ", said, re.M)
    assert alerts == sorted(alerts, key=["!! ", "!  ", "·  "].index)
    assert len(re.findall(r"^     since ", said, re.M)) == len(alerts)
    for block in re.split(r"^(?=!!|! |· )", said, flags=re.M)[1:]:
        _what, do, *_rest = block.split("\n")
        assert re.match(r"     [A-Z].*\.$", do), block


def test_watching_shows_it_anew_until_ctrl_c(config: Path) -> None:
    command, master = begun(config, "cellar", "--watch")
    try:
        said = seen(command, master, lambda text: "remember:" in text or "next:" in text)
        assert "\x1b[H\x1b[2J" in said
        time.sleep(0.5)
        command.send_signal(signal.SIGINT)
        seen(command, master)
        assert command.wait(10) == 0
    finally:
        os.close(master)


def test_watching_a_pipe_is_refused(config: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "mustwatch", "--config", str(config), "cellar", "--watch"],
        capture_output=True,
        text=True,
        check=False,
    )

    assert (run.returncode, run.stdout) == (2, "")
    assert "--watch is for a terminal" in run.stderr


@pytest.mark.parametrize(
    ("words", "what"), [(("backup", "--out"), "copying"), (("export", "--out"), "exporting")]
)
def test_long_commands_show_how_far_they_are(
    config: Path, tmp_path: Path, words: tuple[str, ...], what: str
) -> None:
    out = str(tmp_path / "written")

    said = at_terminal(config, *words, out)

    assert re.search(rf"{what}.*━.*left:", said), said
    (tmp_path / "written").unlink()
    assert "left:" not in piped(config, *words, out)


def test_a_replay_shows_how_far_it_is(tmp_path: Path) -> None:
    config, record = tmp_path / "mustwatch.toml", tmp_path / "record.jsonl"
    config.write_text(
        f'[store]\npath = "{tmp_path}/cellar.db"\n[[sensor]]\nid = "float-1"\nkind = "probe"\nroom = true\n'
        'topic = "cellar/float-1"\ndecoder = "senml"\n',
        encoding="utf-8",
    )
    line = (
        '{{"tst": "2026-09-01T{0:02}:{1:02}:00Z", "topic": "cellar/float-1", '
        '"payload": "[{{\\"n\\": \\"temperature\\", \\"u\\": \\"Cel\\", \\"v\\": 20.0}}]"}}\n'
    )
    record.write_text("".join(line.format(i // 60, i % 60) for i in range(1440)), encoding="utf-8")

    said = at_terminal(config, "replay", str(record))

    assert re.search(r"replaying.*━", said.replace("\n", "")), said
    assert "1440 readings" in said


def test_a_mistyped_command_is_told_the_one_that_was_meant(config: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "mustwatch", "cellr"], capture_output=True, text=True, check=False
    )

    assert (run.returncode, run.stdout) == (2, "")
    assert "No such command 'cellr'. Did you mean 'cellar'?" in run.stderr


def row(vessel: str, lot: str | None, *due: str) -> dict[str, object]:
    return {"vessel": vessel, "lot": lot, "next": [{"due": one} for one in due]}


def alert(
    severity: str, vessel: str | None, lot: str | None = None, known: str | None = None
) -> dict[str, object]:
    return {"severity": severity, "vessel": vessel, "lot": lot, "acknowledged_at": known}


def test_need_is_the_worst_alert_nobody_knows_of_then_what_is_due() -> None:
    rows = [
        row("tub", None),
        row("demijohn", "sloe", "later"),
        row("barrel", "red", "now"),
        row("carboy", "white", "later"),
        row("bucket", "kit", "later"),
        row("jug", "plum"),
    ]
    held = [
        alert("notice", "carboy", "white"),
        alert("urgent", None, "kit"),
        alert("urgent", "jug", "plum", known="2026-09-01T00:00:00Z"),
    ]

    order = [one["vessel"] for one in by_need(rows, held)]

    assert order == ["bucket", "jug", "carboy", "barrel", "demijohn", "tub"]


def test_a_small_curve_falls_with_the_gravity(pages_over: Callable[..., Pages]) -> None:
    store, ends = pages_over().store, 1_788_220_800_000 + 20 * DAY_MS
    begins = ends - 20 * DAY_MS
    with store.transaction():
        store.watching.add_estimates(
            "straight",
            [Estimate(begins + d * DAY_MS, 1.090 - 0.005 * d, 0.001, None, None, 20.0) for d in range(20)],
        )

    curve = text_curve(store, "straight", begins, ends, 20)

    assert curve is not None
    heights = ["▁▂▃▄▅▆▇█".index(bar) for bar in curve]
    assert (len(curve), heights[0], heights[-1]) == (20, 7, 0)
    assert heights == sorted(heights, reverse=True)
    assert text_curve(store, "nobody's", begins, ends, 20) is None
