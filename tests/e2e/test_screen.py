"""The live screen in a terminal: `rig run` on a pty of its own, read by pyte (a VT100 emulator
from PyPI), against the simulated stand on another pty."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pyte
import pytest

from rig.captures.capture import load, read_meta
from rig.simulator.handle import SimulatedBoard
from tests.e2e.test_commands import RIG, driven, until

PATIENCE_S = 30.0
MOST_BYTES_PER_S = 25_000


class Terminal:
    """A program in a terminal of its own."""

    def __init__(self, command: list[str], columns: int, rows: int) -> None:
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        environment = os.environ | {"TERM": "xterm-256color", "COLORTERM": "truecolor"}
        self.process = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, env=environment,
            start_new_session=True, preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )  # fmt: skip
        os.close(slave)
        self.received = 0

    def text(self, wait_s: float = 0.05) -> str:
        """What stands on the screen now."""
        while select.select([self.master], [], [], wait_s)[0]:
            try:
                data = os.read(self.master, 65536)
            except OSError:
                break
            if not data:
                break
            self.received += len(data)
            self._stream.feed(data)
            wait_s = 0.0
        return "\n".join(self.screen.display)

    def wait_for(self, words: str) -> str:
        """Read until `words` are on the screen."""
        ends_s = time.monotonic() + PATIENCE_S
        while words not in (text := self.text()):
            assert time.monotonic() < ends_s, f"{words!r} did not come:\n{text}"
        return text

    def press(self, key: str) -> None:
        """Type."""
        os.write(self.master, key.encode())

    def run_motor(self) -> str:
        """Arm and start, as an operator does; the screen while it runs."""
        self.wait_for("Zero check good")
        self.press("a")
        self.wait_for("Armed: r runs")
        self.press("r")
        self.wait_for("RUNNING")
        return self.wait_for("throttle 50 %")

    def until_over(self) -> int:
        """Read on until the program has ended."""
        ends_s = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            self.text()
            assert time.monotonic() < ends_s
        return self.process.returncode


Open = Callable[[int, int], Terminal]


@pytest.fixture
def truth(tmp_path: Path) -> Path:
    return tmp_path / "truth.csv"


@pytest.fixture
def terminal(tmp_path: Path, truth: Path, stand: Path) -> Iterator[Open]:
    opened: list[Terminal] = []
    with SimulatedBoard([f"--truth={truth}"]) as board:

        def open_one(columns: int, rows: int) -> Terminal:
            command = [
                *RIG, "run", "--port", board.url, "--stand", str(stand), "--setup", "early",
                "--throttle", "50:60", "--soak", "0.3", "--out", str(tmp_path),
            ]  # fmt: skip
            opened.append(Terminal(command, columns, rows))
            return opened[-1]

        yield open_one
        for one in opened:
            one.process.kill()
            one.process.wait()


@pytest.fixture
def stand() -> Path:
    return Path(__file__).parents[2] / "rig" / "stand" / "marram.toml"


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
    text = front.wait_for("energy, Wh")
    assert not driven(truth)
    assert "operator: the operator stopped the run" in text and "Speed, rpm" in text
    front.press("d")
    assert front.until_over() == 3
    assert load(capture_in(tmp_path)).meta.statistics["lost"] == 0


@pytest.mark.parametrize("how", ["killed", "terminal closed"])
def test_a_screen_that_is_gone_stops_the_motor(
    terminal: Open, tmp_path: Path, truth: Path, how: str
) -> None:
    front = terminal(80, 24)
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


def test_a_stopped_screen_leaves_the_motor_guarded(
    terminal: Open, tmp_path: Path, truth: Path
) -> None:
    front = terminal(80, 24)
    front.run_motor()
    front.process.send_signal(signal.SIGSTOP)
    rows = len(truth.read_text().splitlines())
    until(lambda: len(truth.read_text().splitlines()) > rows + 2000 or not driven(truth), 60.0)
    assert driven(truth)
    front.process.send_signal(signal.SIGCONT)
    front.wait_for("RUNNING")
    front.press("\x1b")
    front.wait_for("capture:")
    frame = load(capture_in(tmp_path)).frame
    assert (frame["sequence"].diff().dropna() == 1).all()
    assert frame["time_s"].iloc[-1] > 10.0
