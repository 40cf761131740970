"""How well a reading is known: component tolerances and the converter's steps.

Works with the `uncertainties` library, which it alone of this room imports; the recorder
never comes here.
"""

from __future__ import annotations

import math
from dataclasses import fields
from types import SimpleNamespace
from typing import Any

from uncertainties import correlated_values, ufloat

from rig.stand.bound import BoundChannel
from rig.stand.model import Line, Parameter, Tachometer

STEP_U = 1 / math.sqrt(12)
"""Standard uncertainty of a value known to one step, in steps (JCGM 100:2008 F.2.2.1)."""


class Budget:
    """The parameters of a stand as variables, each made once.

    A component is one variable however often it is used, so that its error cancels in a ratio
    of two readings and adds up in a sum. Reference voltages with the same figures are taken
    for one and the same: a board has one reference.
    """

    def __init__(self) -> None:
        self._references: dict[tuple[float, float], Any] = {}
        self._parameters: dict[str, SimpleNamespace] = {}
        self._clock: Any = None

    def reading(self, bound: BoundChannel, value: float, *, single: bool = True) -> Any:
        """A reading of `value` as a `UFloat`: a `single` line's, or the mean of many.

        A mean has no steps of its own: they are in its scatter.
        The steps of the conversions in a sum are taken as independent, as they are where
        noise of a step or more moves the input. Without noise all conversions of a sum err
        alike, and this part is too small by the square root of their number.
        """
        if bound.column not in self._parameters:
            self._parameters[bound.column] = self._parameters_of(bound)
        step_u = STEP_U / math.sqrt(bound.channel.conversions)
        mean = bound.mean_count(bound.count_for(value))
        mean = ufloat(mean, step_u) if single else mean
        return bound.quantity(mean, self._parameters[bound.column])

    def speed(
        self,
        tachometer: Tachometer,
        tick_hz: int,
        line_hz: int,
        rpm: float,
        *,
        single: bool = True,
    ) -> Any:
        """A speed of `rpm` as a `UFloat`: the board's clock, and two edges known to a tick,
        one line or one edge apart, whichever is longer.
        """
        if self._clock is None:
            half_width = tachometer.clock_tolerance_pct / 100
            spread = half_width / math.sqrt(3)
            self._clock = ufloat(1.0, spread, "board clock") if half_width else 1.0
        edges_hz = abs(rpm) / 60 * tachometer.pulses_per_revolution
        if not single:
            return self._clock * rpm
        per_tick = min(line_hz, edges_hz) / tick_hz
        return self._clock * ufloat(rpm, abs(rpm) * per_tick * math.sqrt(2) * STEP_U)

    def _parameters_of(self, bound: BoundChannel) -> SimpleNamespace:
        sensor = bound.sensor
        if isinstance(sensor, Line):
            intercept, slope = _line(bound.column, sensor)
            return SimpleNamespace(intercept=intercept, slope=slope)
        result = SimpleNamespace()
        for field in fields(sensor):
            value = getattr(sensor, field.name)
            if isinstance(value, Parameter):
                value = self._variable(bound.column, field.name, value)
            setattr(result, field.name, value)
        return result

    def _variable(self, column: str, name: str, parameter: Parameter) -> Any:
        if not parameter.u:
            return parameter.value
        if name != "reference_v":
            return ufloat(parameter.value, parameter.u, f"{column} {name}")
        figures = parameter.value, parameter.u
        return self._references.setdefault(figures, ufloat(*figures, "reference_v"))


def _line(column: str, sensor: Line) -> tuple[Any, Any]:
    if not any(map(any, sensor.covariance)):
        return sensor.intercept, sensor.slope
    values = [sensor.intercept, sensor.slope]
    return tuple(correlated_values(values, sensor.covariance, tags=[f"{column} line"] * 2))
