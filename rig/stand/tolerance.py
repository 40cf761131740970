"""How well one reading is known, in plain numbers: for the recorder, which has no time for more.

The same budget as `rig.stand.uncertainty` makes with shared variables, for a single reading:
component tolerances through the sensor's own formula, the converter's linearity and the drift
of its reference. A test holds the two equal.
"""

from __future__ import annotations

import math
from dataclasses import fields
from types import SimpleNamespace

from rig.stand.bound import BoundChannel
from rig.stand.model import Converter, Digital, Line, Parameter
from rig.stand.sensors import plain_parameters

STUDENT_975 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)
"""The 97.5 % quantile of Student's t for 1 to 10 degrees of freedom (any table of it)."""

NORMAL_975 = 1.96


def standard_uncertainty(bound: BoundChannel, count: float, converter: Converter) -> float:
    """The combined standard uncertainty of the mean of many lines at the summed `count`.

    Infinite where a component may be off by so much that its formula has no value.
    """
    try:
        return _combined(bound, bound.mean_count(count), converter)
    except (ValueError, TypeError, ArithmeticError):
        return math.inf


def _combined(bound: BoundChannel, mean: float, converter: Converter) -> float:
    sensor, known = bound.sensor, vars(plain_parameters(bound.sensor))

    def value(at: float, **changed: float) -> float:
        return float(bound.quantity(at, SimpleNamespace(**known | changed)))

    variance = 0.0
    for field in fields(sensor):
        parameter = getattr(sensor, field.name)
        if isinstance(parameter, Parameter) and parameter.u:
            up, down = parameter.value + parameter.u, parameter.value - parameter.u
            change = value(mean, **{field.name: up}) - value(mean, **{field.name: down})
            variance += (change / 2) ** 2
    if isinstance(sensor, Line):
        (intercept, cross), (_, slope) = sensor.covariance
        fitted = intercept + 2 * mean * cross + mean**2 * slope
        variance += fitted * _few_points(sensor.fit_points) ** 2
    if not isinstance(sensor, Digital):
        # An error that bends both ways is at its ends often; a board's zero has it once more.
        count_u = converter.linearity_counts / math.sqrt(1 if bound.zeroed else 2)
        variance += ((value(mean + count_u) - value(mean - count_u)) / 2) ** 2
    if bound.feels_reference:
        drift = mean * converter.reference_drift_pct / 100 / math.sqrt(3)
        variance += ((value(mean + drift) - value(mean - drift)) / 2) ** 2
    return math.sqrt(variance)


def _few_points(fit_points: int | None) -> float:
    if fit_points is None:
        return 1.0
    freedom = min(fit_points - 2, len(STUDENT_975))
    return STUDENT_975[freedom - 1] / NORMAL_975
