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

_AT_ONCE = 4096
"""Rows that are judged together."""

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

    def smooth(self, tick: Ints, edges: Ints, edge_tick: Ints) -> NDArray[np.float64] | None:
        """What `speed` would give for each row, if no row is suspicious; None if one may be."""
        if not self._known or self._edges is None or self._rejected:
            return None
        new_edges = np.diff(edges, prepend=self._edges)
        new_ticks = np.diff(edge_tick, prepend=self._edge_tick)
        fresh, silence = new_edges > 0, tick - edge_tick
        if (
            (new_edges < 0).any()
            or ((new_ticks > 0) != fresh).any()
            or (silence < 0).any()
            or (silence >= self.standstill_ticks).any()
        ):
            return None
        taken = self.per_edge * new_edges[fresh] / new_ticks[fresh]
        newest = np.concatenate(([self._speed_rpm], taken))[np.cumsum(fresh)]
        speed_rpm: NDArray[np.float64] = np.minimum(
            newest, self.per_edge / np.maximum(silence, 1e-9)
        )
        before = np.concatenate(([self._speed_rpm], speed_rpm[:-1]))[fresh]
        if (np.abs(taken - before) > self.fastest_change * new_ticks[fresh]).any() or (
            taken > self.highest_rpm
        ).any():
            return None
        self._edges, self._edge_tick = int(edges[-1]), int(edge_tick[-1])
        self._speed_rpm = float(speed_rpm[-1])
        return speed_rpm

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
    """`Speedometer.speed` for whole arrays, shape (rows,): speeds in rpm and trust.

    Where the rotor turns and nothing is suspicious whole slices are reckoned at once;
    everything else goes through `Speedometer.speed`, row by row.
    """
    found, trust = np.empty(len(tick)), np.ones(len(tick), dtype=bool)
    for start in range(0, len(tick), _AT_ONCE):
        rows = slice(start, start + _AT_ONCE)
        smooth = meter.smooth(tick[rows], edges[rows], edge_tick[rows])
        if smooth is not None:
            found[rows] = smooth
            continue
        single = zip(*(a[rows].tolist() for a in (tick, edges, edge_tick)), strict=True)
        for at, row in enumerate(single, start):
            found[at], trust[at] = meter.speed(*row)
    return found, trust
