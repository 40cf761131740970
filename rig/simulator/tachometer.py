"""The optical tachometer: an edge at the moment the rotor's angle brings a mark round."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.simulator.faults import FaultClock

TURN = 2.0 * math.pi


class Tachometer:
    """Counts edges as the board's interrupt does. `marks` lie at shares of a turn, rising."""

    def __init__(self, marks: Sequence[float], faults: FaultClock) -> None:
        self._marks, self._faults = marks, faults
        self.passed = 0
        """Marks that went by, whatever the board made of them."""
        self.reset(0)

    def reset(self, edges: int) -> None:
        """The board begins to count anew."""
        self.edges = edges
        self.edge_tick = 0

    def watch(
        self, angle_rad: float, before: float, after: float, dt_s: float, tick: int, ticks: int
    ) -> None:
        """See the marks pass in a step of `dt_s` that begins at `tick` and lasts `ticks`."""
        for passed_s in crossings(self._marks, angle_rad, before, after, dt_s):
            self.passed += 1
            if self._faults.hit("missing-mark"):
                continue
            self.edges += 2 if self._faults.hit("double-mark") else 1
            self.edge_tick = tick + int(passed_s / dt_s * ticks)


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
