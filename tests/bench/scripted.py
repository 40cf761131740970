"""A board without physics, on a pty: fast enough to time the recorder and not ourselves.

It introduces itself, answers every command, and sends the data lines it is given at an even
pace. `tests/bench` and the recorder's timing tests share it.
"""

from __future__ import annotations

import os
import select
import time
import tty
from collections.abc import Callable

from rig.protocol import commands
from rig.protocol.framing import Fault, frame
from rig.protocol.records import Answer, Channel, Data, Hello, Status

TICK_HZ = 1_000_000
LABELS = (
    ("current", "shunt"),
    ("voltage", "pack"),
    ("temperature", "motor"),
    ("temperature", "controller"),
    ("temperature", "cells"),
)
CONVERSIONS = 16
FULL_SCALE = 1024
_STRIDE = 7919
TICKS_PER_EDGE = TICK_HZ // 400
CALM = (1200, 12000, 7400, 7600, 7800)
"""Counts of a stand with about 10 A, 24 V and everything at room temperature."""


class ScriptedBoard:
    """`line_hz` lines a second, each with `counts`; change `counts` to change the readings."""

    def __init__(self, line_hz: int) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.url = os.ttyname(self._slave)
        self.counts = CALM
        self._turning = True
        self._turned = 0
        self._edge_tick = 0
        """Ticks for which the rotor has turned, and the tick of its last edge."""
        self.noise = 0
        """Counts by which each reading wanders to either side, in a fixed order."""
        self.armed = False
        self.heard = b""
        self.sent = 0
        self._line_hz = line_hz
        self._pending = b""

    def introduction(self) -> bytes:
        """Hello and channels."""
        hello = Hello(1, "scripted", "1", 7, TICK_HZ, self._line_hz, frozenset("STL"), len(LABELS))
        channels = [
            Channel(index, quantity, label, FULL_SCALE, CONVERSIONS, frozenset(), 0)
            for index, (quantity, label) in enumerate(LABELS)
        ]
        return b"".join(frame(record.body()) for record in (hello, *channels))

    def data_line(self) -> bytes:
        """The next data line: 12,000 rpm at two edges a revolution, until it is stopped."""
        tick = self.sent * TICK_HZ // self._line_hz
        if self._turning:
            self._turned += TICK_HZ // self._line_hz
            since_edge = self._turned % TICKS_PER_EDGE
            self._edge_tick = tick - since_edge
        edges = self._turned // TICKS_PER_EDGE
        status = Status.ARMED if self.armed else Status.CUT
        spread = 2 * self.noise + 1
        counts = tuple(
            count + (self.sent * _STRIDE + 131 * index) % spread - self.noise
            for index, count in enumerate(self.counts)
        )
        data = Data(
            self.sent & 0xFFFF,
            tick & 0xFFFFFFFF,
            edges & 0xFFFF,
            self._edge_tick & 0xFFFFFFFF,
            int(status),
            counts,
        )
        self.sent += 1
        return frame(data.body())

    def write(self, data: bytes) -> None:
        """Send all of `data`, waiting while the pty is full; not for a reader that is gone."""
        gives_up_s = time.perf_counter() + 1.0
        while data and time.perf_counter() < gives_up_s:
            try:
                data = data[os.write(self.master, data) :]
            except BlockingIOError:
                # A pty may call itself writable and then take nothing, hence the 1 ms.
                select.select([], [], [], 0.001)

    def read(self, wait_s: float = 0.0) -> bytes:
        """What the host said within `wait_s`; it is answered."""
        if not select.select([self.master], [], [], wait_s)[0]:
            return b""
        try:
            data = os.read(self.master, 4096)
        except OSError:
            return b""
        self.heard += data
        *lines, self._pending = (self._pending + data).split(b"\n")
        for line in lines:
            self._obey(line)
        return data

    def serve(self, until: Callable[[], bool], limit_s: float = 30.0) -> None:
        """Send lines at an even pace until `until()`; TimeoutError after `limit_s`."""
        began_s = time.perf_counter()
        first = self.sent
        while not until():
            now_s = time.perf_counter()
            if now_s - began_s > limit_s:
                raise TimeoutError("what was waited for did not come")
            due = first + int((now_s - began_s) * self._line_hz)
            while self.sent < due and not until():
                self.write(self.data_line())
            self.read(0.5 / self._line_hz)

    def close(self) -> None:
        """Pull the plug."""
        os.close(self.master)
        os.close(self._slave)

    def _obey(self, line: bytes) -> None:
        heard = commands.parse_command(line)
        if isinstance(heard, Fault | commands.Refusal):
            return
        number, command = heard
        match command:
            case commands.AskHello():
                if not self.armed:  # a host that asks finds a stand at rest
                    self._turning, self.counts = False, (80, *self.counts[1:])
                self.write(self.introduction())
            case commands.Arm():
                self.armed = self._turning = True
                self.counts = CALM
            case commands.Stop():
                self.armed = self._turning = False
                self.counts = (80, *self.counts[1:])
        if number is not None:
            self.write(frame(Answer(number).body()))
