"""The board's firmware compiled for this computer, in a world that is driven from here.

It needs a C compiler and nothing for the board. `host/part.h` stands in for the part's headers,
`host/world.c` for the clock, the wire, the tachometer, the converter and the stop input.
"""

from __future__ import annotations

import ctypes
import itertools
import shutil
from pathlib import Path

from rig.protocol.commands import Arm, Beat, Command, line
from rig.protocol.framing import Fault, unframe
from tests.firmware import build

HEADERS = "avr/eeprom avr/interrupt avr/io avr/pgmspace avr/sleep avr/wdt util/atomic util/crc16"
COVERAGE = ("--coverage", "-DCOVERED")

_copies = itertools.count()


def compile_world(folder: Path, *options: str, source: Path = build.BOARD) -> Path:
    """The firmware and its world as a library, with such `options` as -DSTOP_INPUT=1."""
    for header in HEADERS.split():
        stub = folder / f"{header}.h"
        stub.parent.mkdir(parents=True, exist_ok=True)
        stub.write_text('#include "part.h"\n')
    library = folder / f"world{next(_copies)}.so"
    build.run(
        "gcc", "-O1", "-shared", "-fPIC", "-Wall", "-Wextra", "-DF_CPU=16000000UL", *options,
        f"-I{folder}", f"-I{build.HERE / 'host'}", f"-I{source.parent}",
        build.HERE / "host" / "world.c", "-lm", "-o", library,
    )  # fmt: skip
    return library


class World:
    """One board from its power-up. Times are seconds of the board."""

    def __init__(self, library: Path, seed: int = 1, eeprom: int = 4710, hung: int = 0) -> None:
        # Of one file there is one set of variables, so every board has a copy of its own.
        copy = library.with_name(f"{library.stem}-{next(_copies)}.so")
        shutil.copy(library, copy)
        self._c = ctypes.CDLL(str(copy))
        copy.unlink()
        self._c.world_run.restype = ctypes.c_double
        self._c.world_pulse_us.restype = ctypes.c_double
        self._output = ctypes.create_string_buffer(1 << 20)
        self._seconds, self._levels = (ctypes.c_double * 1000)(), (ctypes.c_int * 1000)()
        self._rest = b""
        self._boot = (eeprom + 1) % 65536
        self._number = 0
        self.said: list[list[str]] = []
        self.broken = 0
        self.now_s = 0.0
        self._c.world_begin(eeprom, seed, hung)

    def run(self, seconds: float) -> None:
        self.now_s = self._c.world_run(ctypes.c_double(seconds))
        count = self._c.world_output(self._output, len(self._output))
        text = ctypes.string_at(self._output, count)
        *lines, self._rest = (self._rest + text).split(b"\n")
        for raw in lines:
            body = unframe(raw)
            if isinstance(body, Fault):
                self.broken += 1
            else:
                self.said.append(body.decode().split(","))

    def send(self, raw: bytes) -> None:
        self._c.world_send(raw, len(raw))

    def tell(self, command: Command) -> str:
        """Send it and wait; `ok`, or the reason for a refusal."""
        self._number += 1
        self.send(line(command, self._number))
        return self.answer(self._number)

    def answer(self, number: int, limit_s: float = 0.2) -> str:
        begin, end_s = len(self.said), self.now_s + limit_s
        while self.now_s < end_s:
            self.run(0.002)
            for fields in self.said[begin:]:
                if fields[:2] == ["A", str(number)]:
                    return fields[-1]
        raise AssertionError(f"no answer to {number}")

    def beat(self, seconds: float) -> None:
        """Run for so long, with a beat ten times a second."""
        end_s = self.now_s + seconds
        while self.now_s < end_s - 1e-6:
            self._number += 1
            self.send(line(Beat(), self._number))
            self.run(min(0.1, end_s - self.now_s))

    def arm(self) -> None:
        assert self.tell(Arm(self._boot)) == "ok"

    def of_kind(self, letter: str) -> list[list[str]]:
        return [fields for fields in self.said if fields[0] == letter]

    @property
    def status(self) -> int:
        return int(self.of_kind("D")[-1][5])

    def fresh_status(self) -> int:
        """The status of a data line that begins after now."""
        self.run(0.025)
        return self.status

    def drives(self) -> list[tuple[float, int]]:
        """When the drive pin changed, and to what."""
        count = self._c.world_drives(self._seconds, self._levels, len(self._seconds))
        return list(zip(self._seconds[:count], self._levels[:count], strict=True))

    @property
    def driven(self) -> bool:
        drives = self.drives()
        return bool(drives and drives[-1][1])

    @property
    def pulse_us(self) -> float:
        return float(self._c.world_pulse_us())

    def input(self, which: int, counts: float) -> None:
        """What one conversion of this input gives; 7 is the converter's own reference."""
        self._c.world_input(which, ctypes.c_double(counts))

    def ripple(self, counts: float, hz: float, filter_s: float) -> None:
        """Square ripple of so many counts on input 0, behind a filter of this time constant."""
        self._c.world_ripple(*map(ctypes.c_double, (counts, hz, filter_s)))

    def edges(self, hz: float) -> None:
        self._c.world_edges(ctypes.c_double(hz))

    def contact(self, opened: bool) -> None:
        self._c.world_contact(int(opened))

    def slow_loop(self, seconds: float) -> None:
        """Each turn of the loop takes up to so long."""
        self._c.world_slow_loop(ctypes.c_double(seconds))

    def hang(self) -> bool:
        """Let the watchdog's interrupt come; whether it leaves its mark for the next start."""
        self._c.world_hang()
        return bool(self._c.world_hung())

    @property
    def hang_mark(self) -> bool:
        return bool(self._c.world_hung())

    def dump_coverage(self) -> None:
        self._c.world_dump()
