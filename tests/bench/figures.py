"""How each figure is measured. Best of several rounds where the machine may be busy."""

from __future__ import annotations

import io
import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from rig.captures.capture import load as load_capture
from rig.captures.convert import convert
from rig.protocol.decoder import Decoder, decode_bulk
from rig.protocol.framing import frame
from rig.protocol.records import Remark
from rig.stand.settings import demo_stand, stand_to_dict
from tests.bench.scripted import CALM, ScriptedBoard

LINES = 300_000
ROUNDS = 5
LINE_HZ = 1000


@dataclass(frozen=True, slots=True)
class Figure:
    """One promise: `measured` must lie on the right side of `limit`."""

    name: str
    measured: float
    limit: float
    at_least: bool
    absolute: str

    @property
    def holds(self) -> bool:
        """Whether the promise is kept."""
        return self.measured >= self.limit if self.at_least else self.measured <= self.limit

    @property
    def bound(self) -> str:
        """The limit in words."""
        return f"{'>=' if self.at_least else '<='} {self.limit:g}"

    def as_dict(self) -> dict[str, object]:
        """For --json."""
        return {
            "name": self.name,
            "measured": self.measured,
            "bound": self.bound,
            "holds": self.holds,
            "absolute": self.absolute,
        }


def decoding() -> list[Figure]:
    """Lines per second of the decoder, checksums and all, against two that check nothing."""
    board = ScriptedBoard(LINE_HZ)
    lines = b"".join(board.data_line() for _ in range(LINES))
    board.close()
    chunks = [lines[at : at + 2**18] for at in range(0, len(lines), 2**18)]

    def ours() -> None:
        decoder = Decoder()
        for _ in decode_bulk(chunks, decoder):
            pass
        assert decoder.counts.good == LINES

    def plain_loop() -> None:
        stream = io.BytesIO(lines)
        while line := stream.readline():
            [float(field) for field in line[2:-6].split(b",")]

    def by_pandas() -> None:
        assert len(pd.read_csv(io.BytesIO(lines), header=None)) == LINES

    ours_s, loop_s, pandas_s = _best_of_each(ours, plain_loop, by_pandas)
    absolute = f"{LINES / ours_s:,.0f} lines/s"
    return [
        Figure("decode with checksum / plain loop without", loop_s / ours_s, 2.0, True, absolute),
        Figure(
            "decode with checksum / pandas.read_csv",
            pandas_s / ours_s,
            0.25,
            True,
            f"pandas {LINES / pandas_s:,.0f} lines/s",
        ),
    ]


def captures() -> list[Figure]:
    """Journal to capture: speed, memory, size."""
    with tempfile.TemporaryDirectory() as folder:
        short = journal(Path(folder) / "short.journal", LINES)
        long = journal(Path(folder) / "long.journal", 5 * LINES)
        took_s = _best(lambda: convert(short).unlink(), rounds=3)
        memory = {path: _peak_memory_mib(path) for path in (short, long)}
        ours = convert(short)
        plain = Path(folder) / "plain.parquet"
        load_capture(ours).frame.to_parquet(plain)
        sizes = ours.stat().st_size, plain.stat().st_size
    return [
        Figure(
            "journal to capture, lines/s / 300,000",
            LINES / took_s / 300_000,
            1.0,
            True,
            f"{LINES / took_s:,.0f} lines/s",
        ),
        Figure(
            "memory, journal 5 times as long / once",
            memory[long] / memory[short],
            1.15,
            False,
            f"{memory[long]:.0f} MiB against {memory[short]:.0f} MiB",
        ),
        Figure(
            "capture size / pandas' default Parquet",
            sizes[0] / sizes[1],
            0.7,
            False,
            f"{sizes[0] / LINES:.1f} bytes a line against {sizes[1] / LINES:.1f}",
        ),
    ]


def load() -> list[Figure]:
    """The recorder's share of one core at 1000 lines/s."""
    with ScriptedRun("idle") as run:
        run.board.noise = 6
        run.until_running()
        before_s, began_s = cpu_s(run.recorder), time.perf_counter()
        run.board.serve(lambda: time.perf_counter() - began_s > 6.0)
        share = (cpu_s(run.recorder) - before_s) / (time.perf_counter() - began_s)
    return [
        Figure("recorder load at 1000 lines/s, cores", share, 0.15, False, f"{100 * share:.1f} %")
    ]


def trips(count: int) -> list[Figure]:
    """From just before the offending line is written to the stop's first byte, front busy.

    The lines are sent at their own pace, whether or not the recorder reads: its stalls count.
    """
    times_ms, broken = [], 0
    for i in range(count):
        try:
            times_ms.append(_one_trip(0.1 + 0.2 * i / count))
        except RunEndedError:
            broken += 1  # stopped by itself before its trip: the computer stood still
    p50, p99 = np.percentile(times_ms, [50, 99])
    runs = f"{len(times_ms)} trips at 1000 lines/s, {broken} runs ended before"
    return [
        Figure("trip latency p50, ms", float(p50), 0.4, False, runs),
        Figure("trip latency p99, ms", float(p99), 3.0, False, f"worst {max(times_ms):.2f} ms"),
    ]


def start_up() -> list[Figure]:
    """`rig --help`, the whole process."""
    took_s = _best(
        lambda: subprocess.run(
            [sys.executable, "-m", "rig.cli", "--help"], check=True, capture_output=True
        )
    )
    return [Figure("rig --help, s", took_s, 0.4, False, f"{1000 * took_s:.0f} ms")]


class RunEndedError(Exception):
    """A run was over before it was made use of."""


class ScriptedRun:
    """A recorder on a scripted board, held by a front in a process of its own."""

    def __init__(self, front: str, seconds: float = 60.0) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self.board = ScriptedBoard(LINE_HZ)
        journal = str(Path(self._folder.name) / "run.journal")
        self._front = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tests.bench.front",
                self.board.url,
                journal,
                f"{seconds:g}",
                front,
            ],
            stdout=subprocess.PIPE,
            bufsize=0,
        )
        assert self._front.stdout is not None
        self.recorder = int(self._front.stdout.readline())
        self._said = b""

    def until_running(self) -> None:
        """Serve lines until the motor runs. RunEndedError when the run ends before."""
        self.board.serve(self.runs)

    def runs(self) -> bool:
        """Whether the motor runs. RunEndedError when the run is over."""
        assert self._front.stdout is not None
        if select.select([self._front.stdout], [], [], 0.0)[0]:
            self._said += self._front.stdout.read(4096) or b"ended: the front has died"
        if b"ended" in self._said:
            raise RunEndedError(self._said.decode())
        return b"running\n" in self._said

    def __enter__(self) -> ScriptedRun:
        return self

    def __exit__(self, *_: object) -> None:
        self._front.kill()
        self._front.communicate()
        # It would hold the port for as long as it waits for the cable to come back.
        with suppress(ProcessLookupError):
            watch = os.pidfd_open(self.recorder)
            os.kill(self.recorder, signal.SIGKILL)
            select.select([watch], [], [], 1.0)
            os.close(watch)
        self.board.close()
        self._folder.cleanup()


def _one_trip(after_s: float) -> float:
    """One trip, `after_s` into a run; its latency in ms."""
    with ScriptedRun("busy") as run:
        run.until_running()
        began_s = time.perf_counter()
        run.board.serve(lambda: time.perf_counter() - began_s > after_s)
        run.board.heard = b""
        run.board.counts = (16_000, *run.board.counts[1:])
        line = run.board.data_line()
        sent_s = time.perf_counter()
        run.board.write(line)
        while b"stop" not in run.board.heard:
            if time.perf_counter() - sent_s > 1.0:
                raise TimeoutError("no stop came")
            run.board.read(0.01)
        return 1000.0 * (time.perf_counter() - sent_s)


def journal(path: Path, lines: int, line_hz: int = LINE_HZ) -> Path:
    """A journal as a run leaves it, with currents that move; the motor is driven throughout."""
    board = ScriptedBoard(line_hz)
    board.armed = True
    noise = np.random.default_rng(1).normal(0.0, 6.0, (lines, len(board.counts))).round()
    with path.open("wb") as file:
        file.write(frame(Remark("begin", 0.0, {"stand": stand_to_dict(demo_stand())}).body()))
        file.write(board.introduction())
        file.write(frame(Remark("state", 0.0, {"state": "running", "cause": ""}).body()))
        for row, wobble in enumerate(noise.astype(int).tolist()):
            swing = int(400 * np.sin(row / 4000))
            board.counts = tuple(
                base + extra + swing for base, extra in zip(CALM, wobble, strict=True)
            )
            file.write(board.data_line())
    board.close()
    return path


def _peak_memory_mib(kept: Path) -> float:
    """The peak of a fresh process that converts `journal`."""
    # VmHWM and not getrusage: the latter starts with the peak of the process that forked.
    code = (
        "import re, sys; from pathlib import Path; "
        "from rig.captures.convert import convert; convert(Path(sys.argv[1])).unlink(); "
        "status = Path('/proc/self/status').read_text(); "
        "print(int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) / 1024)"
    )
    result = subprocess.run(
        [sys.executable, "-c", code, str(kept)], check=True, capture_output=True, text=True
    )
    return float(result.stdout)


def cpu_s(process: int) -> float:
    """Processor time that a process has used so far."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _best(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """The shortest of several rounds, in seconds: the one least disturbed by others."""
    return _best_of_each(work, rounds=rounds)[0]


def _best_of_each(*works: Callable[[], object], rounds: int = ROUNDS) -> list[float]:
    """`_best` for things to be compared: taken in turn, so that all meet the same machine."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for work, taken in zip(works, times, strict=True):
            began_s = time.perf_counter()
            work()
            taken.append(time.perf_counter() - began_s)
    return [min(taken) for taken in times]
