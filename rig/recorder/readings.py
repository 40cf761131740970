"""What a snapshot shows of the samples: the newest, the peaks, charge, energy, a short trace.

Pure, and cheap enough to be fed every line.
"""

from __future__ import annotations

import math
from collections import deque

from rig.stand.sampler import Sample

TRACE_STEP_S = 0.1
TRACE_LENGTH = 20

TraceRow = tuple[int, tuple[float, ...], tuple[float, ...]]


class Readings:
    """The figures of one run so far."""

    def __init__(self, columns: tuple[str, ...]) -> None:
        self.columns = columns
        self.newest: Sample | None = None
        self.peaks = [-math.inf] * len(columns)
        self.charge_as = 0.0
        self.energy_j = 0.0
        self._power = _index(columns, "power_w")
        self._current = _index(columns, "current_a")
        self._trace: deque[TraceRow] = deque(maxlen=TRACE_LENGTH)
        self._tenth = -1
        self._lowest: list[float] = []
        self._highest: list[float] = []

    def add(self, sample: Sample) -> None:
        """Take one sample in."""
        values = sample.values
        if self.newest is not None:
            step_s = sample.time_s - self.newest.time_s
            self.charge_as += _area(self.newest.values, values, self._current, step_s)
            self.energy_j += _area(self.newest.values, values, self._power, step_s)
        self.newest = sample
        tenth = int(sample.time_s / TRACE_STEP_S)
        if tenth != self._tenth:
            self._close_tenth()
            self._tenth = tenth
            self._lowest = list(values)
            self._highest = list(values)
            return
        for i, value in enumerate(values):
            # A reading that is not there (nan) compares false with everything.
            if value > self._highest[i] or self._highest[i] != self._highest[i]:
                self._highest[i] = value
            if value < self._lowest[i] or self._lowest[i] != self._lowest[i]:
                self._lowest[i] = value

    def trace(self) -> tuple[TraceRow, ...]:
        """The newest whole tenths of a second."""
        return tuple(self._trace)

    def peaks_now(self) -> tuple[float, ...]:
        """The highest readings of the run; nan where there was none."""
        pairs = zip(self.peaks, self._highest or self.peaks, strict=True)
        peaks = [max(peak, now if now == now else -math.inf) for peak, now in pairs]
        return tuple([peak if peak > -math.inf else math.nan for peak in peaks])

    def value(self, column: str) -> float:
        """The newest reading of `column`; nan where there is none."""
        index = _index(self.columns, column)
        return math.nan if index is None or self.newest is None else self.newest.values[index]

    def by_column(self) -> dict[str, float]:
        """The newest readings."""
        if self.newest is None:
            return {}
        return dict(zip(self.columns, self.newest.values, strict=True))

    def _close_tenth(self) -> None:
        if not self._highest:
            return
        self._trace.append((self._tenth, tuple(self._lowest), tuple(self._highest)))
        self.peaks = [
            max(peak, high if high == high else -math.inf)
            for peak, high in zip(self.peaks, self._highest, strict=True)
        ]


def _index(columns: tuple[str, ...], column: str) -> int | None:
    return columns.index(column) if column in columns else None


def _area(
    before: tuple[float, ...], now: tuple[float, ...], index: int | None, step_s: float
) -> float:
    if index is None:
        return 0.0
    area = 0.5 * (before[index] + now[index]) * step_s
    return area if area == area else 0.0
