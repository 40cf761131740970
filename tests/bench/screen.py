"""What the live screen costs, and whether it delays a stop: `rig run` on a terminal of its own."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.bench.figures import LINE_HZ, Figure, cpu_s
from tests.bench.scripted import ScriptedBoard
from tests.e2e.terminal import Terminal

STAND = str(Path(__file__).parents[2] / "rig" / "stand" / "marram.toml")
COLUMNS, ROWS = 120, 40
PRESS_AGAIN_S = 0.4
LOAD_OVER_S = 6.0
SLOW_BYTES_PER_S = (5000, 960, 0)
FULL_AFTER_S = 6.0
"""By then the screen has written more than a pty holds for a reader that stopped."""


def screen(count: int) -> list[Figure]:
    """The screen's load, the way of the stop key, and trips while the screen is live."""
    with Shown() as shown:
        shown.run_motor()
        before_s, began_s = cpu_s(shown.process), time.perf_counter()
        shown.serve_for(LOAD_OVER_S)
        share = (cpu_s(shown.process) - before_s) / (time.perf_counter() - began_s)
        shown.time_a_stop(by_key=True)
        keys_ms, trips_ms = [], []
        for i in range(count):
            for times_ms, by_key in ((keys_ms, True), (trips_ms, False)):
                shown.run_motor()
                shown.serve_for(0.2 + 0.5 * i / count)
                times_ms.append(shown.time_a_stop(by_key=by_key))
    key_p99 = float(np.percentile(keys_ms, 99))
    trip_p50, trip_p99 = (float(p) for p in np.percentile(trips_ms, [50, 99]))
    size = f"{COLUMNS} x {ROWS}"
    return [
        Figure(f"screen load at {size}, 10 Hz, cores", share, 0.25, False, f"{100 * share:.1f} %"),
        Figure(
            "stop key to stop line p99, ms",
            key_p99,
            50.0,
            False,
            f"{count} keys, median {np.median(keys_ms):.1f} ms, worst {max(keys_ms):.1f} ms",
        ),
        Figure("trip latency p50, screen live, ms", trip_p50, 0.5, False, f"{count} trips"),
        Figure(
            "trip latency p99, screen live, ms",
            trip_p99,
            5.0,
            False,
            f"worst {max(trips_ms):.2f} ms",
        ),
    ]


def slow_terminals(count: int) -> list[Figure]:
    """The stop key where the terminal takes fewer bytes a second than the screen has to say."""
    figures = []
    for bytes_per_s in SLOW_BYTES_PER_S:
        with Shown() as shown:
            shown.wander()
            keys_ms = []
            for i in range(count):
                shown.run_motor()
                shown.read_only(bytes_per_s)
                shown.serve_for(FULL_AFTER_S + 0.5 * i / count)
                keys_ms.append(shown.time_a_stop(by_key=True, limit_s=60.0))
                shown.read_only(None)
        reader = f"read at {bytes_per_s} B/s" if bytes_per_s else "not read at all"
        p99 = float(np.percentile(keys_ms, 99))
        absolute = f"{count} keys, median {np.median(keys_ms):.1f} ms, worst {max(keys_ms):.1f} ms"
        figures.append(Figure(f"stop key p99, {reader}, ms", p99, 50.0, False, absolute))
    return figures


class Shown:
    """A board that runs one run after the other on one screen."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._board = ScriptedBoard(LINE_HZ)
        command = [
            sys.executable, "-m", "rig.cli", "run", "--port", self._board.url, "--stand", STAND,
            "--setup", "bench", "--throttle", "50:300", "--soak", "0", "--out", self._folder.name,
        ]  # fmt: skip
        self._runs = 0
        self._drawn = b""
        self._bytes_per_s: int | None = None
        self._terminal = Terminal(command, COLUMNS, ROWS)
        self.process = self._terminal.process.pid
        # What the screen draws is read, not looked at: looking takes this process' time.
        threading.Thread(target=self._read, daemon=True).start()

    def run_motor(self) -> None:
        """Through the keys, from whatever the screen shows at rest."""
        if self._runs:
            self._board.serve(lambda: b"Next run" in self._drawn)
            self._terminal.press("n")
        self._runs += 1
        self._board.heard = b""
        self._press_until("a", lambda: self._board.armed)
        self._press_until("r", lambda: b"throttle" in self._board.heard)

    def serve_for(self, seconds: float) -> None:
        """Let the motor run."""
        ends_s = time.perf_counter() + seconds
        self._board.serve(lambda: time.perf_counter() >= ends_s)

    def wander(self) -> None:
        """Readings as restless as a real motor's, so that the screen has as much to say."""
        self._board.noise = 40

    def read_only(self, bytes_per_s: int | None) -> None:
        """Read what is drawn only so fast, as over a slow line; None is as fast as it comes."""
        self._bytes_per_s = bytes_per_s

    def time_a_stop(self, *, by_key: bool, limit_s: float = 5.0) -> float:
        """From the key, or from an offending line's last byte, to the stop's first; in ms."""
        self._board.heard = self._drawn = b""
        if by_key:
            began_s = time.perf_counter()
            self._terminal.press("\x1b")
        else:
            self._board.counts = (16_000, *self._board.counts[1:])
            self._board.write(self._board.data_line())
            began_s = time.perf_counter()
        ended_s: list[float] = []

        def heard() -> bool:
            if b"stop" in self._board.heard and not ended_s:
                ended_s.append(time.perf_counter())
            return bool(ended_s)

        if by_key:
            self._board.serve(heard, limit_s)
        else:
            while not heard():
                self._board.read(0.01)
        return 1000.0 * (ended_s[0] - began_s)

    def _press_until(self, key: str, done: Callable[[], bool]) -> None:
        """A key that comes before its state means nothing, and is pressed again."""
        pressed_s = 0.0

        def press_or_done() -> bool:
            nonlocal pressed_s
            if done():
                return True
            if self._terminal.process.poll() is not None:
                raise RuntimeError(f"rig run has ended: {self._drawn[-500:]!r}")
            if time.perf_counter() - pressed_s > PRESS_AGAIN_S:
                pressed_s = time.perf_counter()
                self._terminal.press(key)
            return False

        self._board.serve(press_or_done)

    def _read(self) -> None:
        try:
            while True:
                share = self._bytes_per_s
                if share != 0:
                    at_once = 65536 if share is None else share // 20
                    drawn = os.read(self._terminal.master, at_once)
                    self._drawn += drawn  # not in one: it may be emptied while we wait
                if share is not None:
                    time.sleep(0.05)
        except OSError:
            return

    def __enter__(self) -> Shown:
        return self

    def __exit__(self, *_: object) -> None:
        os.kill(self.process, signal.SIGKILL)
        self._terminal.process.wait()
        self._board.close()
        self._folder.cleanup()
