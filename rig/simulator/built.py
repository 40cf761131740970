"""One stand as it was built: component values as they really are, not as their names say.

They differ from the stand's file by no more than its tolerances, and are drawn once from the
stand's seed. A fitted line's errors are drawn from its covariance.
"""

from __future__ import annotations

import dataclasses
import math
import random
from dataclasses import dataclass
from typing import Any

from rig.stand.model import Line, Parameter, Sensor, Stand

ORDER = (
    *("shunt_ohm", "gain", "offset_v", "reference_v", "upper_ohm", "lower_ohm"),
    *("r25_ohm", "beta_k", "series_ohm", "a", "b", "c", "r0_ohm"),
    *("degc_per_count", "offset", "per_count", "zero_count", "arm_m"),
)
"""The order in which components are drawn, so that a seed always gives the same stand."""

SUPPLY_V, BANDGAP_V = 5.0, 1.1
"""Of a microcontroller on USB; its bandgap is loose by 10 % (typical data sheets, from memory)."""

MARK_WITHIN = 0.01
"""How far a mark sits from its place, in shares of the marks' distance; our own."""


@dataclass(frozen=True, slots=True)
class Built:
    """What there really is. `sensors` are in the stand's order."""

    sensors: tuple[Sensor, ...]
    clock: float
    """By how much the board's clock runs fast, relative."""
    marks: tuple[float, ...]
    """Where the tachometer's marks sit, in shares of a turn; none without a tachometer."""
    reference_v: float
    """Of the board's converter."""
    bandgap_v: float
    """What the board compares its reference with, where it does."""


def built(stand: Stand, seed: int | None) -> Built:
    """The stand of this seed; exactly as its file says for None."""
    chance = None if seed is None else random.Random(seed)
    tables = [
        {item.name: getattr(c.sensor, item.name) for item in dataclasses.fields(c.sensor)}
        for c in stand.channels
    ]
    shared: dict[Parameter, Parameter] = {}
    for name in ORDER if chance else ():
        for table in tables:
            if isinstance(value := table.get(name), Parameter):
                drawn = shared.get(value) if name == "reference_v" else None
                table[name] = drawn or _drawn(value, chance)
                if name == "reference_v":
                    # A board has one reference.
                    shared[value] = table[name]
    sensors = tuple(
        _line(c.sensor, chance) if isinstance(c.sensor, Line) else type(c.sensor)(**table)
        for c, table in zip(stand.channels, tables, strict=True)
    )
    tachometer = stand.tachometer
    pulses = tachometer.pulses_per_revolution if tachometer else 0
    tolerance = tachometer.clock_tolerance_pct / 100.0 if tachometer else 0.005
    clock = chance.uniform(-tolerance, tolerance) if chance else 0.0
    marks = tuple(
        (index + (chance.uniform(-MARK_WITHIN, MARK_WITHIN) if chance else 0.0)) / pulses
        for index in range(pulses)
    )
    references = [value for table in tables if (value := table.get("reference_v"))]
    reference_v = references[0].value if references else SUPPLY_V
    bandgap_v = BANDGAP_V * (1.0 + (chance.uniform(-0.1, 0.1) if chance else 0.0))
    return Built(sensors, clock, marks, reference_v, bandgap_v)


def _drawn(parameter: Parameter, chance: Any) -> Parameter:
    """A tolerance is the half-width of a rectangular distribution: the square root of 3 times
    the standard uncertainty (JCGM 100:2008 4.3.7)."""
    half_width = math.sqrt(3.0) * parameter.u
    return Parameter(parameter.value + chance.uniform(-half_width, half_width))


def _line(line: Line, chance: random.Random | None) -> Line:
    (a, covariance), (_, b) = line.covariance
    if chance is None or not (a or b):
        return line
    one, two = chance.gauss(), chance.gauss()
    shared = covariance / math.sqrt(a) if a else 0.0
    return dataclasses.replace(
        line,
        intercept=line.intercept + math.sqrt(a) * one,
        slope=line.slope + shared * one + math.sqrt(max(b - shared * shared, 0.0)) * two,
    )
