"""The optical tachometer: an edge at the moment the rotor's angle brings a mark round."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.simulator.faults import FaultClock

TURN = 2.0 * math.pi

MARK_WIDTH = 0.35
"""Of a mark, as a share of the marks' distance; our own."""


class Tachometer:
    """Counts edges as the board's interrupt does. `marks` lie at shares of a turn, rising."""

    def __init__(self, marks: Sequence[float], faults: FaultClock) -> None:
        self._marks, self._faults = marks, faults
        self.passed = 0
        """Marks that went by, whatever the board made of them."""
        self._skip = False
        self.reset(0)

    def reset(self, edges: int) -> None:
        """The board begins to count anew."""
        self.edges = edges
        self.edge_tick = 0

    def watch(
        self, angle_rad: float, before: float, after: float, dt_s: float, tick: int, ticks: int
    ) -> None:
        """See the marks pass in a step of `dt_s` that begins at `tick` and lasts `ticks`."""
        faults = self._faults
        marks = self._placed()
        edges_s = crossings(marks, angle_rad, before, after, dt_s)
        self.passed += len(edges_s)
        if faults.on("tachometer-double"):
            ends = [mark + MARK_WIDTH / len(marks) for mark in marks]
            edges_s = sorted(edges_s + crossings(ends, angle_rad, before, after, dt_s))
        for passed_s in edges_s:
            self._skip = not self._skip and faults.on("tachometer-half")
            if self._skip or faults.on("tachometer-dead") or faults.hit("missing-mark"):
                continue
            self.edges += 2 if self._faults.hit("double-mark") else 1
            self.edge_tick = tick + int(passed_s / dt_s * ticks)

    def _placed(self) -> Sequence[float]:
        """The marks; with the fault every other one off its place."""
        off = self._faults.level("tachometer-uneven")
        if off is None:
            return self._marks
        pitch = 1.0 / len(self._marks)
        return [m + (off * pitch if place % 2 else 0.0) for place, m in enumerate(self._marks)]


def crossings(
    marks: Sequence[float], angle_rad: float, before: float, after: float, dt_s: float
) -> list[float]:
    """When in a step of `dt_s` marks pass, in seconds from its beginning, in order.

    The rotor starts at `angle_rad` and changes its speed from `before` to `after` (rad/s)
    evenly, as the plant's midpoint rule has it, so that the times are exact.
    """
    start, turned = angle_rad / TURN, 0.5 * (before + after) * dt_s / TURN
    change = (after - before) / dt_s
    ways = [
        (whole + mark - start) * TURN
        for mark in marks
        for whole in range(math.floor(start - mark) + 1, math.floor(start + turned - mark) + 1)
    ]
    return [min(_when(way, before, change), dt_s) for way in sorted(ways)]


def _when(way: float, speed: float, change: float) -> float:
    """The time t with way = speed * t + change * t^2 / 2, in the form without cancellation."""
    root = math.sqrt(max(speed * speed + 2.0 * change * way, 0.0))
    return 2.0 * way / (speed + root)
