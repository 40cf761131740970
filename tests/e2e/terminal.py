"""A program on a pty of its own, its screen read by pyte (a VT100 emulator from PyPI)."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Callable

import pyte

PATIENCE_S = 30.0


class Terminal:
    """A program in a terminal of its own."""

    def __init__(self, command: list[str], columns: int, rows: int, *, deaf: bool = False) -> None:
        """`deaf` starts the program as nohup does, with hang-ups ignored."""
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        environment = os.environ | {"TERM": "xterm-256color", "COLORTERM": "truecolor"}
        self.process = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, env=environment,
            start_new_session=True, preexec_fn=lambda: _take_terminal(deaf),
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

    def read_slowly(self, bytes_per_s: int, until: Callable[[], object]) -> None:
        """Take only so much of what is drawn, as a slow line does; 0 takes nothing."""
        ends_s = time.monotonic() + PATIENCE_S
        while not until():
            assert time.monotonic() < ends_s, "what was waited for did not come"
            if bytes_per_s and select.select([self.master], [], [], 0.0)[0]:
                data = os.read(self.master, bytes_per_s // 50)
                self.received += len(data)
                self._stream.feed(data)
            time.sleep(0.02)

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


def _take_terminal(deaf: bool) -> None:
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    if deaf:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
