"""Edges to speed: the edge count difference over the edge time difference.

That is exact at any line rate, since the board notes the tick of the last edge. Three
things are added. An edge may be late, or its mark may have been missed: the last speed is
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
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rig.stand.model import Tachometer

BELIEVED_AFTER = 3
"""So many suspicious readings in a row are no glitch."""

UNEVEN_MARKS = 0.15
"""A change by less than this share of the speed is never a glitch, however quick: marks
stuck on by hand are not spaced evenly (common practice, no source)."""

OVERDUE_EDGES = 2.0 * (1.0 + UNEVEN_MARKS)
"""Without an edge while so many are due, it was not one missed mark: the rotor is slower."""

HELD_AT_MOST_S = 0.5
"""A speed is not held for longer, however slow: the proof of a stop waits for it to fall."""

FEW_EDGES = 3
"""Among no more edges than these, one too many or too few is a glitch at any speed. Among
more, it is a change that a rotor may well make, and only its quickness is judged."""

Ticks = TypeVar("Ticks", int, NDArray[np.int64])

_HALF_TURN = 1 << 31
_WHOLE_TURN = 1 << 32


class Speedometer:
    """Follows one tachometer; `speed` and `speeds` go on where the last call of either ended."""

    def __init__(self, tachometer: Tachometer, tick_hz: int) -> None:
        self.standstill_ticks = tachometer.standstill_s * tick_hz
        self.per_edge = 60.0 * tick_hz / tachometer.pulses_per_revolution
        self._slowest_rpm = self.per_edge / self.standstill_ticks
        self._highest_rpm = tachometer.highest_rpm
        self._rpm_per_tick = tachometer.fastest_change_rpm_per_s / tick_hz
        self._held_at_most_ticks = HELD_AT_MOST_S * tick_hz
        self._edges: int | None = None
        self._edge_tick = 0
        self._held_rpm = math.nan
        self._held_tick = 0
        self._doubted = 0

    def speed(self, tick: int, edges: int, edge_tick: int) -> tuple[float, bool]:
        """The speed in rpm at one line, counters unwrapped, and whether it may be trusted."""
        glitch = False
        if edges != self._edges:
            edge_tick = _near(edge_tick, tick)
            if self._edges is not None:
                glitch = self._consider(edges - self._edges, edge_tick - self._edge_tick, edge_tick)
            self._edges = edges
            self._edge_tick = edge_tick
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
        if self._edges is None:
            self._edges = int(edges[0])
            self._edge_tick = _near(int(edge_tick[0]), int(tick[0]))
        fresh = np.flatnonzero(np.diff(edges, prepend=self._edges))
        at = _near(edge_tick[fresh], tick[fresh])
        gone = np.diff(at, prepend=self._edge_tick)
        counted = np.diff(edges[fresh], prepend=self._edges)
        held_rpm, held_glitch = self._consider_all(counted, gone, at)

        # Every row holds what the newest row with a fresh edge gave.
        newest = np.searchsorted(fresh, np.arange(len(tick)), side="right")
        rpm = held_rpm[newest]
        age = tick - np.concatenate(([self._edge_tick], at))[newest]
        due = rpm * age / self.per_edge
        slower = (due > OVERDUE_EDGES) | ((due > 1.0) & (age > self._held_at_most_ticks))
        rpm[slower] = self.per_edge / age[slower]
        rpm[(age >= self.standstill_ticks) | np.isnan(rpm)] = 0.0
        good = np.ones(len(tick), dtype=np.bool_)
        good[fresh] = ~held_glitch
        if len(fresh):
            self._edges = int(edges[fresh[-1]])
            self._edge_tick = int(at[-1])
        return rpm, good

    def _consider(self, edges: int, ticks: int, at: int) -> bool:
        """Take a reading of `edges` in `ticks`, ending `at` a tick. True if it is a glitch."""
        rpm = self._reading(edges, ticks)
        change = abs(rpm - self._held_rpm)
        doubtful = (
            rpm > self._highest_rpm
            or (
                change > self._rpm_per_tick * (at - self._held_tick)
                and change > UNEVEN_MARKS * self._held_rpm
            )
            or _one_off(edges, self._held_rpm * ticks / self.per_edge)
        )
        self._doubted += 1
        if doubtful and self._doubted < BELIEVED_AFTER:
            return True
        self._believe(rpm, at)
        return False

    def _believe(self, rpm: float, at: int) -> None:
        self._held_rpm = rpm
        self._held_tick = at
        self._doubted = 0

    def _reading(self, edges: int, ticks: int) -> float:
        """Edges in no time at all are as fast as the board's clock can tell."""
        rpm = edges * self.per_edge / max(ticks, 1)
        return rpm if rpm > self._slowest_rpm else 0.0

    def _consider_all(
        self, edges: NDArray[np.int64], ticks: NDArray[np.int64], at: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """`_consider` for many: the held speeds (one more, before the first) and glitches.

        All readings are believed at first; only from each reading that could be doubted
        until one is believed again does the one-by-one rule run.
        """
        rpm = edges * self.per_edge / np.maximum(ticks, 1)
        rpm[~(rpm > self._slowest_rpm)] = 0.0
        before = np.concatenate(([self._held_rpm], rpm[:-1]))
        change = np.abs(rpm - before)
        since = np.diff(at, prepend=self._held_tick)
        doubtful = (
            (rpm > self._highest_rpm)
            | ((change > self._rpm_per_tick * since) & (change > UNEVEN_MARKS * before))
            | _one_off(edges, before * ticks / self.per_edge)
        )
        held = np.concatenate(([self._held_rpm], rpm))
        glitch = np.zeros(len(rpm), dtype=np.bool_)
        suspects = np.flatnonzero(doubtful).tolist()
        if self._doubted and len(rpm):
            suspects.insert(0, 0)
        done = -1
        for i in suspects:
            if i <= done:
                continue
            if i:
                self._believe(float(rpm[i - 1]), int(at[i - 1]))
            while i < len(rpm) and self._consider(int(edges[i]), int(ticks[i]), int(at[i])):
                glitch[i] = True
                held[i + 1] = self._held_rpm
                i += 1
            done = i
        if len(rpm) and not glitch[-1]:
            self._believe(float(rpm[-1]), int(at[-1]))
        return held, glitch


def _one_off(edges: Any, due: Any) -> Any:
    """Whether one edge more or less would explain the reading. For numbers and for arrays.

    `due` is how many edges the held speed would have given; not a number while there is none.
    """
    missed = (edges < FEW_EDGES) & _is_about(due, edges + 1)
    doubled = (edges > 1) & (edges <= FEW_EDGES) & _is_about(due, edges - 1)
    return missed | doubled


def _is_about(due: Any, edges: Any) -> Any:
    return abs(due - edges) <= UNEVEN_MARKS * edges


def _near(edge_tick: Ticks, tick: Ticks) -> Ticks:
    """The tick of a fresh edge: of all that its low 32 bits allow, the one nearest `tick`.

    The counters wrap while the rotor stands still, and only the line's own tick tells how
    often.
    """
    return tick - ((tick - edge_tick + _HALF_TURN) % _WHOLE_TURN - _HALF_TURN)


def speeds(
    meter: Speedometer,
    tick: NDArray[np.int64],
    edges: NDArray[np.int64],
    edge_tick: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """`Speedometer.speeds` as a function."""
    return meter.speeds(tick, edges, edge_tick)
