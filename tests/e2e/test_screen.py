"""The live screen in a terminal: `rig run` on a pty of its own, read by pyte, and in tmux,
against the simulated stand on another pty."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rig.captures.capture import load, read_meta
from rig.simulator.process import SimulatedBoard
from tests.e2e.terminal import Terminal
from tests.e2e.test_commands import RIG, driven, until

MOST_BYTES_PER_S = 25_000
STAND = Path(__file__).parents[2] / "rig" / "stand" / "marram.toml"

Open = Callable[..., Terminal]


@pytest.fixture
def truth(tmp_path: Path) -> Path:
    return tmp_path / "truth.csv"


@pytest.fixture
def terminal(tmp_path: Path, truth: Path) -> Iterator[Open]:
    opened: list[Terminal] = []
    with SimulatedBoard([f"--truth={truth}"]) as board:

        def open_one(columns: int, rows: int, *, deaf: bool = False) -> Terminal:
            command = [
                *RIG, "run", "--port", board.url, "--stand", str(STAND), "--setup", "early",
                "--throttle", "50:60", "--soak", "0.3", "--out", str(tmp_path),
            ]  # fmt: skip
            opened.append(Terminal(command, columns, rows, deaf=deaf))
            return opened[-1]

        yield open_one
        for one in opened:
            one.process.kill()
            one.process.wait()


def capture_in(folder: Path) -> Path:
    until(lambda: bool(list(folder.glob("*.parquet"))))
    (capture,) = folder.glob("*.parquet")
    return capture


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (200, 60)])
def test_a_run_in_a_terminal(
    terminal: Open, tmp_path: Path, truth: Path, columns: int, rows: int
) -> None:
    front = terminal(columns, rows)
    text = front.run_motor()
    for words in ("Current, A", "Voltage, V", "Power, W", "Speed, rpm", "Motor", "Controller",
                  "Pack", "Esc stops it", "lost 0 rejected 0", "early, run 1", "STOP"):  # fmt: skip
        assert words in text
    assert driven(truth)
    # Long enough for a steady part, and to see what it would cost over ssh.
    before, began_s = front.received, time.monotonic()
    while time.monotonic() - began_s < 4.0:
        front.text()
    assert (front.received - before) / (time.monotonic() - began_s) < MOST_BYTES_PER_S
    front.press("\x1b")
    text = front.wait_for("Energy, Wh")
    assert not driven(truth)
    assert "operator: the operator stopped the run" in text and "Speed, rpm" in text
    front.press("d")
    assert front.until_over() == 3
    assert load(capture_in(tmp_path)).meta.statistics["lost"] == 0


@pytest.mark.skipif(shutil.which("tmux") is None, reason="apt-get install tmux")
@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (200, 60)])
def test_a_run_in_tmux(tmp_path: Path, columns: int, rows: int) -> None:
    command = [
        *RIG, "run", "--simulated", "--stand", str(STAND), "--setup", "early",
        "--throttle", "50:60", "--soak", "0.3", "--seed", "0", "--out", str(tmp_path),
    ]  # fmt: skip
    tmux = ["tmux", "-L", f"rig-{columns}", "-f", os.devnull]

    def captured() -> str:
        done = subprocess.run(
            [*tmux, "capture-pane", "-p"], capture_output=True, text=True, check=True
        )
        return done.stdout

    def press(key: str, when: str) -> None:
        until(lambda: when in captured())
        subprocess.run([*tmux, "send-keys", key], check=True)

    subprocess.run(
        [*tmux, "new-session", "-d", "-x", str(columns), "-y", str(rows), shlex.join(command)],
        check=True,
    )
    try:
        press("a", "Zero check good")
        press("r", "Armed: r runs")
        until(lambda: "throttle 50 %" in captured())
        until(lambda: (peak := re.search(r"peak (\d+) ┃20000", captured())) and int(peak[1]) > 3000)
        text = captured()
        assert "RUNNING" in text
        assert re.search(r"Motor +\d\d\.\d °C", text)
        assert re.search(r"\b[12]\d\d lines/s lost 0 rejected 0", text)
        assert len(text.splitlines()) == rows
        press("Up", "RUNNING")
        until(lambda: "throttle 55 %" in captured())
        press("Escape", "STOP")
        press("d", "operator")
        until(lambda: bool(list(tmp_path.glob("*.parquet"))))
    finally:
        subprocess.run([*tmux, "kill-server"], check=False)
    meta = read_meta(capture_in(tmp_path))
    assert meta.outcome == "operator"
    assert meta.statistics["lost"] == 0


@pytest.mark.parametrize("how", ["killed", "terminal closed", "terminal closed under nohup"])
def test_a_screen_that_is_gone_stops_the_motor(
    terminal: Open, tmp_path: Path, truth: Path, how: str
) -> None:
    front = terminal(80, 24, deaf=how.endswith("nohup"))
    front.run_motor()
    if how == "killed":
        front.process.kill()
    else:
        os.close(front.master)
    gone_s = time.monotonic()
    until(lambda: not driven(truth))
    assert time.monotonic() - gone_s < 1.0
    capture = capture_in(tmp_path)
    assert read_meta(capture).outcome == "front lost"
    assert (load(capture).frame["sequence"].diff().dropna() == 1).all()


def test_a_stopped_screen_stops_the_motor_and_saves_when_it_goes_on(
    terminal: Open, tmp_path: Path, truth: Path
) -> None:
    front = terminal(80, 24)
    front.run_motor()
    front.process.send_signal(signal.SIGSTOP)
    stopped_s = time.monotonic()
    until(lambda: not driven(truth))
    assert time.monotonic() - stopped_s < 1.0
    front.process.send_signal(signal.SIGCONT)
    front.wait_for("capture:")
    capture = capture_in(tmp_path)
    assert read_meta(capture).outcome == "front lost"
    assert (load(capture).frame["sequence"].diff().dropna() == 1).all()


@pytest.mark.parametrize("bytes_per_s", [960, pytest.param(0, marks=pytest.mark.long)])
def test_a_slow_or_stopped_terminal_delays_no_stop(
    terminal: Open, tmp_path: Path, truth: Path, bytes_per_s: int
) -> None:
    front = terminal(120, 40)
    front.run_motor()
    fall_behind(front, truth, bytes_per_s)
    front.press("\x1b")
    pressed_s = time.monotonic()
    front.read_slowly(bytes_per_s, lambda: not driven(truth))
    assert time.monotonic() - pressed_s < 1.0
    front.read_slowly(bytes_per_s, lambda: list(tmp_path.glob("*.parquet")))
    # What could not be drawn meanwhile is, once the terminal takes it.
    text = front.wait_for("Done")
    for words in ("operator: the operator stopped the run", "Speed, rpm", "Energy, Wh"):
        assert words in text
    front.press("d")
    assert front.until_over() == 3


def test_a_stopped_terminal_is_left_without_waiting_and_restored(
    terminal: Open, truth: Path
) -> None:
    front = terminal(120, 40)
    before = termios.tcgetattr(front.master)
    front.run_motor()
    assert termios.tcgetattr(front.master) != before
    fall_behind(front, truth, 0)
    front.press("q")
    front.press("y")
    front.read_slowly(0, lambda: front.process.poll() is not None)
    assert front.process.returncode == 3
    assert termios.tcgetattr(front.master) == before
    assert front.text().count("capture:") == 1
    assert not front.screen.cursor.hidden


def fall_behind(front: Terminal, truth: Path, bytes_per_s: int) -> None:
    """Run on until far more is to be drawn than the terminal takes and a pty holds."""
    rows = len(truth.read_text().splitlines())
    front.read_slowly(bytes_per_s, lambda: len(truth.read_text().splitlines()) > rows + 1500)
    assert driven(truth)
