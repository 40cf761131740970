"""From levels at the inputs to summed counts, with each input's own noise and ends."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from rig.simulator.electronics import Input

_POOL = 4099


class Converter:
    """Several conversions of each input are summed, each with noise of its own."""

    def __init__(self, inputs: Sequence[Input], chance: random.Random) -> None:
        self._chance = chance
        # Drawing from a pool costs a fifth of drawing anew, 80 times a line.
        normal = [chance.gauss() for _ in range(_POOL)]
        pools = {noise: [0.5 + each * noise for each in normal] for noise in _noises(inputs)}
        widest = {noise: max(map(abs, pool)) + 1.0 for noise, pool in pools.items()}
        self._inputs = [
            (
                i.lowest,
                i.full_scale - 1,
                i.conversions,
                pools[i.noise_counts],
                widest[i.noise_counts],
            )
            for i in inputs
        ]

    def sums(self, levels: Sequence[float]) -> list[int]:
        """The summed count of each input; `levels` are in counts of one conversion, and each
        conversion is rounded to the nearest count."""
        return [self._sum(level, *wired) for level, wired in zip(levels, self._inputs, strict=True)]

    def _sum(
        self,
        level: float,
        lowest: int,
        highest: int,
        conversions: int,
        pool: list[float],
        widest: float,
    ) -> int:
        if not lowest - widest < level < highest + widest:
            return (highest if level > lowest else lowest) * conversions
        first = self._chance.randrange(_POOL - conversions)
        noise = pool[first : first + conversions]
        if widest < level < highest - widest:
            return sum([int(level + each) for each in noise])
        return sum([min(max(math.floor(level + each), lowest), highest) for each in noise])


def _noises(inputs: Sequence[Input]) -> set[float]:
    return {wired.noise_counts for wired in inputs}
