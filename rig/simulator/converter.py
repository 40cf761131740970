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
        self._inputs = inputs
        self._chance = chance
        # Drawing from a pool costs a fifth of drawing anew, 80 times a line.
        normal = [chance.gauss() for _ in range(_POOL)]
        self._pools = {
            noise: [0.5 + each * noise for each in normal]
            for noise in {each.noise_counts for each in inputs}
        }
        self._widest = {n: max(map(abs, pool)) + 1.0 for n, pool in self._pools.items()}

    def sums(self, levels: Sequence[float]) -> list[int]:
        """The summed count of each input; `levels` are in counts of one conversion."""
        return list(map(self._convert, self._inputs, levels))

    def _convert(self, wired: Input, level: float) -> int:
        """The sum of the conversions at `level` counts, each rounded to the nearest count."""
        lowest, highest = wired.lowest, wired.full_scale - 1
        widest = self._widest[wired.noise_counts]
        if not lowest - widest < level < highest + widest:
            return (highest if level > lowest else lowest) * wired.conversions
        first = self._chance.randrange(_POOL - wired.conversions)
        noise = self._pools[wired.noise_counts][first : first + wired.conversions]
        if widest < level < highest - widest:
            return sum([int(level + each) for each in noise])
        return sum([min(max(math.floor(level + each), lowest), highest) for each in noise])
