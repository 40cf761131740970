"""What a snapshot shows of the samples: the newest, the peaks, charge, energy, a short trace.

Pure. A line only joins a list, which costs next to nothing before the next line; the list is
worked off at once each tenth of a second, and whenever a figure is asked for.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

from rig.stand.sampler import Sample

TRACE_STEP_S = 0.1
TRACE_LENGTH = 20

TraceRow = tuple[int, tuple[float, ...], tuple[float, ...]]
Row = NDArray[np.float64]


class Readings:
    """The figures of one run so far. A reading that is not there (nan) counts for nothing."""

    def __init__(self, columns: tuple[str, ...]) -> None:
        self.columns = columns
        self.newest: Sample | None = None
        self._charge_as = 0.0
        self._energy_j = 0.0
        self._power = _index(columns, "power_w")
        self._current = _index(columns, "current_a")
        self._trace: deque[TraceRow] = deque(maxlen=TRACE_LENGTH)
        self._fresh: list[Sample] = []
        self._last: Sample | None = None
        self._tenth = -1
        self._tenth_ends_s = -math.inf
        nothing = np.full(len(columns), math.nan)
        self._lowest, self._highest, self._peaks = nothing, nothing, nothing

    def add(self, sample: Sample) -> None:
        """Take one sample in."""
        if sample.time_s >= self._tenth_ends_s:
            self._begin_tenth(sample.time_s)
        self.newest = sample
        self._fresh.append(sample)

    def begin_anew(self) -> None:
        """What follows comes from another boot of the board, whose time begins at 0 again."""
        self._begin_tenth(0.0)
        self._trace.clear()
        self.newest = self._last = None
        self._tenth, self._tenth_ends_s = -1, -math.inf

    @property
    def charge_as(self) -> float:
        """The charge so far, in ampere seconds, by trapezoids over the board's time."""
        self._work_off()
        return self._charge_as

    @property
    def energy_j(self) -> float:
        """The energy so far, in joules, in the same way."""
        self._work_off()
        return self._energy_j

    def trace(self) -> tuple[TraceRow, ...]:
        """The newest whole tenths of a second: number, lowest and highest readings."""
        return tuple(self._trace)

    def peaks(self) -> tuple[float, ...]:
        """The highest readings of the run; nan where there was none."""
        self._work_off()
        return tuple(np.fmax(self._peaks, self._highest).tolist())

    def value(self, column: str) -> float:
        """The newest reading of `column`; nan where there is none."""
        index = _index(self.columns, column)
        return math.nan if index is None or self.newest is None else self.newest.values[index]

    def by_column(self) -> dict[str, float]:
        """The newest readings."""
        if self.newest is None:
            return {}
        return dict(zip(self.columns, self.newest.values, strict=True))

    def _begin_tenth(self, time_s: float) -> None:
        self._work_off()
        if self._tenth >= 0:
            lowest, highest = self._lowest.tolist(), self._highest.tolist()
            self._trace.append((self._tenth, tuple(lowest), tuple(highest)))
            self._peaks = np.fmax(self._peaks, self._highest)
        self._tenth = int(time_s / TRACE_STEP_S)
        self._tenth_ends_s = (self._tenth + 1) * TRACE_STEP_S
        self._lowest = self._highest = np.full(len(self.columns), math.nan)

    def _work_off(self) -> None:
        """All of `_fresh` lies in the present tenth."""
        if not self._fresh:
            return
        fresh = np.array([sample.values for sample in self._fresh])
        self._lowest = np.fmin(self._lowest, np.fmin.reduce(fresh))
        self._highest = np.fmax(self._highest, np.fmax.reduce(fresh))
        if self._last is not None:
            self._fresh.insert(0, self._last)
            fresh = np.vstack([self._last.values, fresh])
        step_s = np.diff([sample.time_s for sample in self._fresh])
        self._charge_as += _area(fresh, self._current, step_s)
        self._energy_j += _area(fresh, self._power, step_s)
        self._last = self._fresh[-1]
        self._fresh = []


def _index(columns: tuple[str, ...], column: str) -> int | None:
    return columns.index(column) if column in columns else None


def _area(rows: Row, index: int | None, step_s: Row) -> float:
    if index is None:
        return 0.0
    column = rows[:, index]
    return float(np.nansum(0.5 * (column[1:] + column[:-1]) * step_s))
