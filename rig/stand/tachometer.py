"""Edges to speed: the edge count difference over the edge time difference.

That is exact at any line rate, since the board sends the tick of the last edge. But marks
stuck on by hand are not spaced evenly: the time between two of them gives the speed only
once their places are known. So `marks.Turns` learns the places from whole turns, which are right
wherever the marks sit. Until it knows them, a reading is taken over whole turns, unless it
differs from them by more than marks out of place explain: then the speed is changing, and the
newest edges are nearer to it.

Three things are added. An edge may be late, or its mark may have been missed: the last speed is
held until the edge after it is late as well. Then the speed can be no more than one edge
over the time since the last, and after `standstill_s` without an edge it is 0. A reading
that no rotor could reach so quickly, or that one edge more or less would explain, is a
glitch: the last speed is held and the row is not valid, but the third such reading in a row
is believed, so that a true overspeed is never hidden for long. And after a glitch the next
reading starts from the newest edge, so one false edge spoils at most the two readings that
touch it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.protocol.timeline import near
from rig.stand.marks import UNEVEN_MARKS, Turns
from rig.stand.model import Tachometer

BELIEVED_AFTER = 3
"""So many suspicious readings in a row are no glitch."""

OVERDUE_EDGES = 2.0 * (1.0 + UNEVEN_MARKS)
"""Without an edge while so many are due, it was not one missed mark: the rotor is slower."""

HELD_AT_MOST_S = 0.5
"""A speed is not held for longer, however slow: the proof of a stop waits for it to fall."""

FEW_EDGES = 3
"""Among no more edges than these, one too many or too few is a glitch at any speed. Among
more, it is a change that a rotor may well make, and only its quickness is judged."""

NEVER = -(1 << 48)
"""The tick of the last edge before the first: there is none."""


class Speedometer:
    """Follows one tachometer; `speed` and `speeds` go on where the last call of either ended."""

    def __init__(self, tachometer: Tachometer, tick_hz: int) -> None:
        self.standstill_ticks = tachometer.standstill_s * tick_hz
        self.per_edge = 60.0 * tick_hz / tachometer.pulses_per_revolution
        self._slowest_rpm = self.per_edge / self.standstill_ticks
        self._highest_rpm = tachometer.highest_rpm
        self._rpm_per_tick = tachometer.fastest_change_rpm_per_s / tick_hz
        self._held_at_most_ticks = HELD_AT_MOST_S * tick_hz
        self._edges = 0
        self._edge_tick = NEVER
        self._held_rpm = math.nan
        self._held_tick = 0
        self._doubted = 0
        self._steady = False
        """The last two readings agree: from a speed that rises, one edge more is no wonder."""
        self._turns = Turns(tachometer.pulses_per_revolution)

    def speed(self, tick: int, edges: int, edge_tick: int) -> tuple[float, bool]:
        """The speed in rpm at one line, counters unwrapped, and whether it may be trusted."""
        glitch = False
        if edges != self._edges:
            glitch = self._take(edges, near(edge_tick, tick))
        age = tick - self._edge_tick
        rpm = self._held_rpm
        if age >= self.standstill_ticks or rpm != rpm:
            return 0.0, not glitch
        due = rpm * age / self.per_edge
        if due > OVERDUE_EDGES or (due > 1.0 and age > self._held_at_most_ticks):
            # Had the rotor kept its speed, the next edge would have come by now.
            rpm = self.per_edge / age
        return rpm, not glitch

    def speeds(
        self, tick: NDArray[np.int64], edges: NDArray[np.int64], edge_tick: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """`speed` for whole arrays, shape (rows,): speeds in rpm and trust, row by row."""
        if len(tick) == 0:
            return np.empty(0), np.empty(0, dtype=np.bool_)
        before_tick, held = self._edge_tick, [self._held_rpm]
        fresh = np.flatnonzero(np.diff(edges, prepend=self._edges))
        at = near(edge_tick[fresh], tick[fresh])
        good = np.ones(len(tick), dtype=np.bool_)
        glitches = []
        for count, edge in zip(edges[fresh].tolist(), at.tolist(), strict=True):
            glitches.append(self._take(count, edge))
            held.append(self._held_rpm)
        good[fresh] = ~np.array(glitches, dtype=np.bool_)

        # Every row holds what the newest row with a fresh edge gave.
        newest = np.searchsorted(fresh, np.arange(len(tick)), side="right")
        rpm = np.array(held)[newest]
        age = tick - np.concatenate(([before_tick], at))[newest]
        due = rpm * age / self.per_edge
        slower = (due > OVERDUE_EDGES) | ((due > 1.0) & (age > self._held_at_most_ticks))
        rpm[slower] = self.per_edge / age[slower]
        rpm[(age >= self.standstill_ticks) | np.isnan(rpm)] = 0.0
        return rpm, good

    @property
    def mark_unevenness(self) -> float:
        """As `Turns.unevenness`."""
        return self._turns.unevenness

    def _take(self, edges: int, at: int) -> bool:
        """Take in that edge number `edges` came at a tick. True if the reading is a glitch."""
        before, edge_tick = self._edges, self._edge_tick
        self._edges, self._edge_tick = edges, at
        if edge_tick == NEVER:
            self._turns.begin(edges, at)
            return False
        # Edges in no time at all are as fast as the board's clock can resolve.
        ticks = max(at - edge_tick, 1)
        counted, held_rpm = edges - before, self._held_rpm
        rpm = self.per_edge * self._turns.rate(edges, at, before, edge_tick)
        if not rpm > self._slowest_rpm:
            rpm = 0.0
        change = abs(rpm - held_rpm)
        due = held_rpm * ticks / self.per_edge
        self._doubted += 1
        if self._doubted < BELIEVED_AFTER and (
            rpm > self._highest_rpm
            or (
                change > self._turns.slack * held_rpm
                and change > self._rpm_per_tick * (at - self._held_tick)
            )
            or (self._steady and _one_off(counted, due))
        ):
            self._turns.glitch(edges, counted - due)
            return True
        self._steady = change <= UNEVEN_MARKS * held_rpm
        self._held_rpm = rpm
        self._held_tick = at
        self._doubted = 0
        return False


def _one_off(edges: int, due: float) -> bool:
    """Whether one edge more or less would explain the reading.

    `due` is how many edges the held speed would have given; not a number while there is none.
    """
    if edges > FEW_EDGES:
        return False
    missed = edges < FEW_EDGES and abs(due - edges - 1) <= UNEVEN_MARKS * (edges + 1)
    doubled = edges > 1 and abs(due - edges + 1) <= UNEVEN_MARKS * (edges - 1)
    return missed or doubled


def speeds(
    meter: Speedometer,
    tick: NDArray[np.int64],
    edges: NDArray[np.int64],
    edge_tick: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """`Speedometer.speeds` as a function."""
    return meter.speeds(tick, edges, edge_tick)
