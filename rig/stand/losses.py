"""The share of lines that were lost lately."""

from __future__ import annotations

from collections import deque

LOST_OVER_S = 2.0
"""The span over which the share of lost lines is reckoned."""

_PART_S = 0.1


class Losses:
    """Counts lines over the last `LOST_OVER_S`, in parts of a tenth of a second."""

    def __init__(self) -> None:
        self._parts: deque[_Part] = deque()
        self._ends_s = float("-inf")
        self._lost = 0

    def share(self, time_s: float, lost: int) -> float:
        """Take in one line with `lost` lines missing before it; the share of lines lost.

        0 until half of the span is behind us: a few lines prove nothing.
        """
        if time_s >= self._ends_s:
            self._begin(time_s)
        newest = self._parts[-1]
        newest.came += 1
        if lost:
            newest.lost += lost
            self._lost += lost
        if not self._lost or time_s - self._parts[0].since_s < 0.5 * LOST_OVER_S:
            return 0.0
        return self._lost / (self._lost + sum(part.came for part in self._parts))

    def _begin(self, time_s: float) -> None:
        self._ends_s = time_s + _PART_S
        self._parts.append(_Part(time_s))
        while time_s - self._parts[0].since_s > LOST_OVER_S:
            self._lost -= self._parts.popleft().lost


class _Part:
    def __init__(self, since_s: float) -> None:
        self.since_s = since_s
        self.came = 0
        self.lost = 0
