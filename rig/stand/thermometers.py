"""Temperatures that do not move as temperatures do: stuck, or jumping.

Noise of a count or so moves every line of a summed channel, wherever its temperature lies. Where
a sensor has shown that noise, or its like on the same kind of channel has, standing still for
half a second is no chance. A quiet converter moves only with the temperature itself: there, energy
says when it must have moved.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

from rig.stand.bound import BoundChannel
from rig.stand.model import Digital
from rig.stand.quantities import label_of
from rig.stand.sampler import Sample

QUIET_COUNTS, QUIET_SCATTER = 0.5, 3.05
"""Standard deviation of one conversion of a quiet input that rests between two counts; elsewhere it
has none. More than that moves a reading wherever it lies. The second, over the square root of the
lines, is 3.5 standard deviations of that estimate (from changes between lines: 0.87 / sqrt(n))."""

NOISE_LINES, NOISE_LINES_AT_MOST = 40, 400
"""So many changes from line to line at rest show how large noise is; how many are looked at."""

STILL_S, STILL_LINES = 0.4, 20
"""A reading whose noise is known is stuck after so long without a change."""

STILL_AS_OTHERS_S, STILL_AS_OTHERS_LINES = 0.8, 50
"""The same for one that never moved, where others of its kind do."""

STILL_J_PER_K = 400_000.0
"""Electrical energy per kelvin that warms even a pack at a few amps, which takes longest: a heat
capacity of 900 J/K and the share of power that a pack of 18 milliohm turns into heat at 5 A.
Common practice, no source."""

JUMP_K, JUMP_K_PER_S = 10.0, 200.0
"""No sensor follows so large a step between two looks: a bead's own time constant is a tenth of a
second at least (common practice, no source)."""

JUMPS, JUMPS_WITHIN_S = 3, 5.0
"""One bad line jumps and comes back: two are forgiven."""

JUMPED_S = 0.2
"""A jump that does not come back by then is one."""

LOOSE_LOOKS, LOOSE_WITHIN_S = 3, 1.0
"""So many looks with bad lines among good ones: a contact, and not a bad conversion."""

Found = tuple[str, str, str]
"""Column, cause, text."""


class _Thermometer:
    """One temperature. Values are in degC, times in s."""

    def __init__(self, bound: BoundChannel, index: int) -> None:
        self.bound, self.index, self.column = bound, index, bound.column
        self.kind = bound.channel.full_scale, bound.channel.conversions
        self.digital = isinstance(bound.sensor, Digital)
        self.noisy = False
        self._count_k: float | None = None
        self._squares, self._changes = 0.0, 0
        self._value = math.nan
        self._still_since_s, self._still_lines, self._still_j = math.nan, 0, 0.0
        self._moved = False
        self._seen, self._seen_s = math.nan, math.nan
        self._jumps_s: list[float] = []
        self._before_jump: float | None = None
        self.bad = False
        """Open or shorted in one of the newest lines."""
        self._bad_s: list[float] = []

    def look(
        self, time_s: float, values: Sequence[float], energy_j: float, *, driven: bool
    ) -> None:
        """Take in the newest lines."""
        if not driven and self._changes < NOISE_LINES_AT_MOST and not self.digital:
            for before, after in pairwise(values):
                if before == before and after == after:
                    self._squares += (after - before) ** 2
                    self._changes += 1
            if self._changes >= NOISE_LINES:
                self._learn_noise(values[-1])
        first = values[0]
        if first == self._value and values.count(first) == len(values):
            self._still_lines += len(values)
            self._still_j += energy_j
        else:
            self._moved |= self._value == self._value
            self._still_since_s, self._still_lines, self._still_j = time_s, 1, 0.0
        self._value = values[-1]

    def stuck(self, time_s: float, *, others_move: bool) -> str | None:
        """How it is known that the reading is stuck, as the end of a sentence."""
        still_s = time_s - self._still_since_s
        if self.digital or self._value != self._value:
            return None
        if self.noisy and self._still_lines >= STILL_LINES and still_s >= STILL_S:
            return "though it did before"
        alone = others_move and not self._moved and self._still_lines >= STILL_AS_OTHERS_LINES
        if alone and still_s >= STILL_AS_OTHERS_S:
            return "though the other temperatures do"
        if self._still_j > STILL_J_PER_K * self._one_count_k(self._value):
            return f"while {self._still_j / 1000:.0f} kJ were taken"
        return None

    def jumps(self, time_s: float, value: float) -> bool:
        """Whether `value` and those before it move as no temperature can."""
        seen, seen_s, self._seen, self._seen_s = self._seen, self._seen_s, value, time_s
        if value != value:
            self._seen = seen
            return False
        jumped = abs(value - seen) > max(JUMP_K, JUMP_K_PER_S * (time_s - seen_s))
        self._jumps_s = [at_s for at_s in self._jumps_s if time_s - at_s < JUMPS_WITHIN_S]
        if jumped:
            self._jumps_s.append(time_s)
            if self._before_jump is None:
                self._before_jump = seen
        if self._before_jump is not None and abs(value - self._before_jump) <= JUMP_K:
            self._before_jump = None
        if not self._jumps_s:
            self._before_jump = None
        stays = self._before_jump is not None and time_s - self._jumps_s[-1] >= JUMPED_S
        return stays or len(self._jumps_s) >= JUMPS

    def loose(self, time_s: float) -> bool:
        """Whether the sensor comes and goes."""
        self._bad_s = [at_s for at_s in self._bad_s if time_s - at_s < LOOSE_WITHIN_S]
        if self.bad:
            self._bad_s.append(time_s)
        self.bad = False
        return len(self._bad_s) >= LOOSE_LOOKS

    def _learn_noise(self, value: float) -> None:
        """Changes from line to line have twice the variance of one line."""
        line_k = math.sqrt(0.5 * self._squares / self._changes)
        one_k = self._one_count_k(value)
        counts = line_k / one_k * math.sqrt(self.kind[1])
        self.noisy = counts > QUIET_COUNTS * (1.0 + QUIET_SCATTER / math.sqrt(self._changes))

    def _one_count_k(self, value: float) -> float:
        """What one count of every conversion changes, about `value`."""
        if self._count_k is None:
            bound, step = self.bound, 0.5 * self.kind[1]
            count = bound.count_for(value)
            low = max(count - step, bound.inside_lowest + 1)
            high = min(count + step, bound.inside_highest - 1)
            self._count_k = abs(bound.value(high) - bound.value(low)) or math.inf
        return self._count_k


class Thermometers:
    """All temperatures of one stand; `columns` are those of the samples."""

    def __init__(self, bound: Sequence[BoundChannel], columns: Sequence[str]) -> None:
        self._all = [_Thermometer(each, columns.index(each.column)) for each in bound]
        self._before_s = math.nan

    def count_bad(self, fresh: Sequence[Sample]) -> None:
        """Note which sensors are open or shorted in some of these lines."""
        for sample in fresh:
            for column, _ in sample.faults:
                for each in self._all:
                    each.bad |= each.column == column

    def look(
        self,
        time_s: float,
        series: Sequence[Sequence[float]],
        *,
        driven: bool,
        power_w: float,
    ) -> Iterator[Found]:
        """Take in the newest lines, one sequence per column, and say what cannot be."""
        step_s = time_s - self._before_s
        self._before_s = time_s
        energy_j = power_w * step_s if step_s > 0.0 and power_w > 0.0 else 0.0
        for each in self._all:
            each.look(time_s, series[each.index], energy_j, driven=driven)
        moving = {each.kind for each in self._all if each.noisy}
        found: list[Found] = []
        for each in self._all:
            name = label_of(each.column)
            how = each.stuck(time_s, others_move=each.kind in moving)
            if driven and how is not None:
                text = f"{name} does not move, {how}. Look at its lead and the board's input."
                found.append((each.column, "stuck", text))
            if each.loose(time_s) and driven:
                text = f"{name} comes and goes. Look for a loose lead."
                found.append((each.column, "loose", text))
            if each.jumps(time_s, series[each.index][-1]) and driven:
                text = f"{name} jumps as no temperature can. Look for a loose lead."
                found.append((each.column, "jumps", text))
        return iter(found)
