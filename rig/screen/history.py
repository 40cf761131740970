"""The last minute of a run, put together from snapshots. Pure.

Snapshots overlap: each brings the newest tenths of a second, so that a few that never
arrive leave no hole. Tenths that are missing stay missing.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

from rig.recorder.messages import Snapshot
from rig.recorder.readings import TRACE_STEP_S, TraceRow

SPAN_S = 60.0
RATE_OVER_S = 15.0
RATE_FROM_S = 4.0
"""A rate of rise is told only from so many seconds on."""

Floats = NDArray[np.float64]


class History:
    """Tenths of a second, oldest first."""

    def __init__(self) -> None:
        self.columns: tuple[str, ...] = ()
        self._rows: deque[TraceRow] = deque(maxlen=round(SPAN_S / TRACE_STEP_S))

    def take(self, snapshot: Snapshot) -> None:
        """Add what is new in `snapshot`."""
        newest = self._rows[-1][0] if self._rows else -1
        began_anew = bool(snapshot.trace) and snapshot.trace[-1][0] < newest
        if snapshot.columns != self.columns or began_anew:
            self.columns, newest = snapshot.columns, -1
            self._rows.clear()
        self._rows.extend(row for row in snapshot.trace if row[0] > newest)

    def trace(self, column: str) -> tuple[Floats, Floats, Floats]:
        """Time before now in s (negative), lowest and highest readings; each shape (tenths,)."""
        if column not in self.columns or not self._rows:
            return np.empty(0), np.empty(0), np.empty(0)
        index = self.columns.index(column)
        rows = [(tenth, low[index], high[index]) for tenth, low, high in self._rows]
        tenth, low, high = np.array(rows, dtype=float).T
        return (tenth - tenth[-1]) * TRACE_STEP_S, low, high

    def rate_per_min(self, column: str) -> float | None:
        """The slope of a straight line through the last seconds; None while too few."""
        time_s, low, high = self.trace(column)
        middle = 0.5 * (low + high)
        use = (time_s >= -RATE_OVER_S) & np.isfinite(middle)
        if not use.any() or np.ptp(time_s[use]) < RATE_FROM_S:
            return None
        x, y = time_s[use] - time_s[use].mean(), middle[use]
        return float(60.0 * (x @ (y - y.mean())) / (x @ x))


def seconds_until(value: float, limit: float | None, rate_per_min: float | None) -> float | None:
    """How long until `value` reaches `limit` at this rate; None while it does not rise."""
    if limit is None or rate_per_min is None or rate_per_min <= 0.5 or math.isnan(value):
        return None
    return max(limit - value, 0.0) / rate_per_min * 60.0
