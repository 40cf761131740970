"""Readings that cannot be true while the motor is driven: wiring faults that blind a limit.

Samples and the throttle in, doubts out; no clock. Lines are only collected; twenty times a second
their means are judged, against the stand at rest before the drive came on and against what the
stand's own uncertainty can resolve. `rig.stand.limits` makes alarms of the doubts: those that
blind a trip level trip, the others warn.

Why, and how the thresholds follow. A limit acts on a reading; a reading of a wire that is off, or
on the wrong way round, passes no limit. But current, speed, voltage and heat of one motor belong
together, so one of them that is wrong contradicts the others. A contradiction counts once it is
larger than (1) what the input may be off by, three standard uncertainties of its components, and
its steps; (2) what motors, packs and propellers of any size do, as shares of the stand's own
limits and of the motor's values where they are given; and (3) what a coasting rotor does too (turn
without current, feed current back): a driven rotor keeps or gains speed, so much is judged only
where speed does not fall. What the stand does not measure, and a throttle that nobody knows (a
hand on it), is not judged by.

Current, tachometer and voltage have a file each (`doubted_current` and so on), all judge from what
`driven` knows, and temperatures are followed by `thermometers`. Here is what is collected, and the
doubts about the run as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rig.stand.doubted_current import doubted_current
from rig.stand.doubted_tachometer import doubted_tachometer
from rig.stand.doubted_voltage import doubted_voltage
from rig.stand.driven import JUDGE_EVERY_S, Doubt, Driven, Look
from rig.stand.model import Stand
from rig.stand.quantities import is_temperature, label_of
from rig.stand.sampler import GLITCH, Sample, Sampler
from rig.stand.thermometers import Thermometers
from rig.stand.watches import amount

NOTHING_S, NOTHING_ALONE_S = 2.0, 1.0
"""How long a throttle may show nothing; the second where only current or only speed is measured."""

NOTHING_FROM_PCT, NOTHING_UNSEEN_FROM_PCT = 10.0, 30.0
"""Throttle that turns any motor; without a tachometer, one whose current is seen."""

NEVER_BY_HAND_S, NEVER_S = 5.0, 10.0
"""How long a run may have begun without a throttle."""


class Plausibility:
    """Follows one board from its introduction on. nan stands for what is not measured."""

    def __init__(self, stand: Stand, sampler: Sampler) -> None:
        columns = sampler.columns
        self.due_s = -math.inf
        self._columns, self._sampler = columns, sampler
        self._at = [
            columns.index(name) if name in columns else None
            for name in ("current_a", "voltage_v", "speed_rpm")
        ]
        self._driven = Driven(stand, sampler)
        self._thermometers = Thermometers(
            [bound for bound in sampler.bound if is_temperature(bound.column)], columns
        )
        self._fresh: list[Sample] = []

    # What the caller says

    def drive(self, percent: float | None) -> None:
        """The drive is on from the next line on, at `percent`, or by a hand with None."""
        self._driven.drive(percent)

    def coast(self) -> None:
        """The drive is off, or is told to be: nothing is judged any more."""
        self._driven.coast()

    def add(self, sample: Sample) -> None:
        """Take in one line; from `due_s` on, call `judge`."""
        self._fresh.append(sample)

    def look_at_rest(self, sample: Sample) -> None:
        """Take in a line before the stand is armed, when nobody asks for doubts."""
        self._fresh.append(sample)
        if sample.time_s >= self.due_s:
            self.judge(sample.time_s)

    def judge(self, time_s: float) -> list[Doubt]:
        """What is in doubt at `time_s`, in the order of its danger."""
        self.due_s = time_s + JUDGE_EVERY_S
        fresh, self._fresh = self._fresh, []
        if not fresh:
            return []
        series = list(zip(*[sample.values for sample in fresh], strict=True))
        current_a, voltage_v, speed_rpm = (
            math.nan if index is None else sum(series[index]) / len(fresh) for index in self._at
        )
        thrown_out = sum(GLITCH in sample.faults for sample in fresh) / len(fresh)
        look = Look(time_s, current_a, voltage_v, speed_rpm, thrown_out)
        driven = self._driven
        driven.take(look, fresh[0].time_s)
        clipped = list(self._clipped(fresh))
        self._thermometers.count_bad(fresh)
        if not driven.on:
            self._thermometers.look(time_s, series, driven=False, power_w=0.0)
            return clipped
        doubts = [
            *doubted_current(driven, look),
            *doubted_tachometer(driven, look, self._sampler.mark_unevenness),
            *doubted_voltage(driven, look),
            *self._nothing(look),
        ]
        power_w = max(current_a * voltage_v, 0.0)
        for column, cause, text in self._thermometers.look(
            time_s, series, driven=driven.lives(look), power_w=power_w
        ):
            doubts.append(Doubt(column, cause, text, blinds=column in driven.tripping))
        return doubts + clipped

    def at_end(self) -> list[Doubt]:
        """What a run that nothing happened in is told when it ends, or when it has waited long."""
        driven = self._driven
        if driven.moved or driven.gave or not (driven.has_current or driven.has_speed):
            return []
        text = (
            "No throttle was given since the run began: nothing turns, no current flows. Look at "
            "the planned throttle, or at the lead by which it is given."
        )
        return [Doubt("throttle", "never given", text)]

    # What is in doubt

    def _nothing(self, look: Look) -> Iterator[Doubt]:
        """A throttle without an effect, or no throttle at all."""
        driven = self._driven
        if driven.lives(look) or not (driven.has_current or driven.has_speed):
            return
        if (driven.has_current and math.isnan(look.current_a)) or (
            driven.has_speed and math.isnan(look.speed_rpm)
        ):
            return
        pct, given_s = driven.pct, look.time_s - driven.given_s
        both = driven.has_current and driven.has_speed
        least_pct = NOTHING_FROM_PCT if driven.has_speed else NOTHING_UNSEEN_FROM_PCT
        if pct is not None and pct >= least_pct:
            if given_s >= (NOTHING_S if both else NOTHING_ALONE_S):
                column = "current_a" if driven.has_current else "speed_rpm"
                seen = "neither current nor speed" if both else f"no {label_of(column).lower()}"
                text = (
                    f"Throttle is {pct:g} %, and {seen} is seen. Look at the controller's supply "
                    "and throttle lead; if the motor turns, at the sensors."
                )
                blinds = not both and column in driven.tripping
                yield Doubt("throttle", "nothing happens", text, pct, blinds)
            return
        if look.time_s - driven.on_s >= (NEVER_BY_HAND_S if pct is None else NEVER_S):
            yield from self.at_end()

    def _clipped(self, fresh: list[Sample]) -> Iterator[Doubt]:
        """Inputs at an end of their scale that have no trip level; those with one trip before."""
        for column in self._columns:
            if column in self._driven.tripping or is_temperature(column):
                continue
            lines = sum(column in sample.clipped for sample in fresh)
            if self._driven.held(f"clipped {column}", 2 * lines > len(fresh)):
                value = fresh[-1].values[self._columns.index(column)]
                text = (
                    f"{label_of(column)} is at the end of its scale ({amount(value, column)}): the "
                    "true value is not known. Look at its leads and its range."
                )
                yield Doubt(column, "clipped", text, value)
