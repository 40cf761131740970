"""Edges to speed: differences of edge counts over differences of edge times.

Exact at any line rate, since the board stamps the edges. Two things spoil it: a reading that
no rotor could give (a double mark, a missing one), which is rejected and the last speed
held, and standstill, where no edge comes any more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.stand.model import Tachometer

ACCEPT_AFTER = 3
"""So many rejected readings in a row are no glitch: a true over-speed is never hidden long."""

Ints = NDArray[np.int64]


class Speedometer:
    """Follows one tachometer, line by line."""

    def __init__(self, tachometer: Tachometer, tick_hz: int) -> None:
        self.tick_hz = float(tick_hz)
        self.per_edge = 60.0 * tick_hz / tachometer.pulses_per_revolution
        self.standstill_ticks = tachometer.standstill_s * tick_hz
        self.fastest_change = tachometer.fastest_change_rpm_per_s / tick_hz
        self.highest_rpm = tachometer.highest_rpm
        self._edges: int | None = None
        self._edge_tick = 0
        self._speed_rpm = 0.0
        self._known = False
        self._rejected = 0

    def speed(self, tick: int, edges: int, edge_tick: int) -> tuple[float, bool]:
        """The speed in rpm at this line (counters unwrapped), and whether it may be trusted."""
        if self._edges is None:
            self._edges, self._edge_tick = edges, edge_tick
        elif edges > self._edges:
            good = self._take(edges - self._edges, edge_tick - self._edge_tick)
            self._edges, self._edge_tick = edges, edge_tick
            if not good:
                return self._speed_rpm, False
        silence = tick - self._edge_tick
        if not self._known or silence >= self.standstill_ticks:
            self._known = False
            self._speed_rpm = 0.0
        elif silence > 0:
            # Had the rotor kept its speed, the next edge would have come by now.
            self._speed_rpm = min(self._speed_rpm, self.per_edge / silence)
        return self._speed_rpm, True

    def _take(self, edges: int, ticks: int) -> bool:
        """Take a new reading in, or reject it as one that no rotor could give."""
        if ticks <= 0:
            return self._reject()
        speed_rpm = self.per_edge * edges / ticks
        if not self._known:
            # The first edges after standstill span the standstill: no speed yet.
            self._known = ticks < self.standstill_ticks
            self._speed_rpm = min(speed_rpm, self.highest_rpm) if self._known else 0.0
            return True
        change = abs(speed_rpm - self._speed_rpm)
        if (
            speed_rpm > self.highest_rpm or change > self.fastest_change * ticks
        ) and self._rejected < ACCEPT_AFTER - 1:
            return self._reject()
        self._rejected = 0
        self._speed_rpm = speed_rpm
        return True

    def _reject(self) -> bool:
        self._rejected += 1
        return False


def speeds(
    meter: Speedometer, tick: Ints, edges: Ints, edge_tick: Ints
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """`Speedometer.speed` for whole arrays, shape (rows,): speeds in rpm and trust."""
    rows = zip(tick.tolist(), edges.tolist(), edge_tick.tolist(), strict=True)
    pairs = [meter.speed(*row) for row in rows]
    return (
        np.array([speed for speed, _ in pairs], dtype=np.float64),
        np.array([good for _, good in pairs], dtype=bool),
    )
