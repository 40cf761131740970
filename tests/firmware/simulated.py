"""A simulated microcontroller as the tests hold it: its line, and the log of its pins."""

from __future__ import annotations

import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import serial

from rig.protocol.commands import Arm, AskHello, Command, line
from rig.protocol.framing import Fault, unframe
from rig.simulator.plant import Plant

STEPS = 40


def motor_table(path: Path) -> Path:
    """Write the simulator's motor for the bench: rpm, amps and volts, settled and still cool,
    for each throttle at even steps from 0 to 1."""
    rows = []
    for step in range(STEPS + 1):
        plant = Plant()
        plant.driven, plant.throttle = True, step / STEPS
        for _ in range(4000):
            plant.step(1e-3)
        rows.append(f"{plant.speed_rpm:.4f} {plant.current_a:.5f} {plant.voltage_v:.5f}\n")
    path.write_text("".join(rows))
    return path


class Chip:
    """The running bench. `log` holds its rows as (seconds, what, value)."""

    def __init__(self, bench: Path, elf: Path, *settings: str) -> None:
        self.process = subprocess.Popen(
            [str(bench), str(elf), str(bench.with_name("motor.txt")), *settings],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout
        self.port = self.process.stdout.readline().split()[1]
        self.log: list[tuple[float, str, str]] = []
        self.conversions = 16
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout
        for row in self.process.stdout:
            seconds, what, value = row.rstrip("\n").split(" ", 2)
            self.log.append((float(seconds), what, value))

    def times(self, what: str, value: str) -> list[float]:
        """When this happened."""
        return [when for when, *rest in self.log if rest == [what, value]]

    def truths(self) -> list[tuple[float, float, float, float]]:
        """Seconds, rpm, amps and volts, ten times a second."""
        return [
            (when, *map(float, value.split()))  # type: ignore[misc]
            for when, what, value in self.log
            if what == "truth"
        ]

    def until(self, happened: Callable[[], object], limit_s: float = 15.0) -> None:
        end_s = time.monotonic() + limit_s
        while not happened():
            assert time.monotonic() < end_s, "what was waited for did not come"
            time.sleep(0.01)

    def suffer(self, event: str) -> None:
        """Let a `surge` of current come, or a `dip` of the supply, which resets the part; `open`
        or `close` the contact at the stop input; `unplug` or `plug` the motor's supply; `turn` the
        rotor three times by hand."""
        assert self.process.stdin
        print(event, file=self.process.stdin, flush=True)

    def close(self) -> None:
        assert self.process.stdin
        self.process.stdin.close()
        self.process.wait(timeout=10)


@contextmanager
def running(bench: Path, elf: Path, *settings: str) -> Iterator[Chip]:
    chip = Chip(bench, elf, *settings)
    try:
        yield chip
    finally:
        chip.close()


class Host:
    """The other end of the line: numbered commands out, whole lines in."""

    def __init__(self, port: str, baud: int = 115200) -> None:
        self.line = serial.Serial(port, baud, timeout=0.02)
        self.heard: list[list[str]] = []
        self.broken = self.empty = 0
        self._number = 0
        self._rest = b""
        # What is said before the board has started is lost.
        self.until(lambda fields: fields[0] == "D")

    def listen(self, seconds: float = 0.0) -> None:
        """Read for so long, and at least once."""
        end_s = time.monotonic() + seconds
        while True:
            *lines, self._rest = (self._rest + self._read()).split(b"\n")
            for raw in lines:
                body = unframe(raw)
                if isinstance(body, Fault):
                    self.broken += 1
                else:
                    self.heard.append(body.decode().split(","))
            if time.monotonic() >= end_s:
                return

    def _read(self) -> bytes:
        """What came; nothing too where a pseudo-terminal announces data and has none."""
        try:
            return self.line.read(4096)
        except serial.SerialException:
            if not self.line.is_open:
                raise
            self.empty += 1
            assert self.empty < 5, "the line is closed"
            return b""

    def until(self, found: Callable[[list[str]], object], limit_s: float = 5.0) -> list[str]:
        """The first line from now on for which `found` holds."""
        begin, end_s = len(self.heard), time.monotonic() + limit_s
        while time.monotonic() < end_s:
            for fields in self.heard[begin:]:
                if found(fields):
                    return fields
            begin = len(self.heard)
            self.listen()
        raise AssertionError("what was waited for did not come")

    def tell(self, command: Command) -> str:
        """Tell it; `ok`, or the reason for a refusal."""
        self._number += 1
        self.line.write(line(command, self._number))
        answer = self.until(lambda fields: fields[:2] == ["A", str(self._number)])
        return answer[-1]

    def boot_number(self) -> int:
        assert self.tell(AskHello()) == "ok"
        return int(self.of_kind("H")[-1][4])

    def arm(self) -> None:
        assert self.tell(Arm(self.boot_number())) == "ok"

    def of_kind(self, letter: str) -> list[list[str]]:
        return [fields for fields in self.heard if fields[0] == letter]
