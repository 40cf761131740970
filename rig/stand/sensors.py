"""Sensor formulas, each written once: mean counts per conversion in, quantity out.

Every formula serves plain floats (live), NumPy arrays (whole runs) and the numbers with
uncertainties of the `uncertainties` library, which is imported only where one arrives.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields
from types import SimpleNamespace
from typing import Any

import numpy as np

from rig.stand.sensor_kinds import (
    Digital,
    Divider,
    Line,
    LoadCell,
    NtcBeta,
    NtcSteinhart,
    Parameter,
    Pt100,
    Pt1000,
    Resistive,
    Sensor,
    Shunt,
)

KELVIN = 273.15
"""0 degC in kelvin, exact by definition."""

R25_KELVIN = 25 + KELVIN

# Callendar-Van Dusen coefficients of IEC 60751:2008; C applies below 0 degC only.
CVD_A = 3.9083e-3
CVD_B = -5.775e-7
CVD_C = -4.183e-12

OPEN_RATIO = 0.995
"""A thermistor that takes more of the reference than this is open: with a series resistor
of the thermistor's own size at 25 degC, 199 times that size is colder than -70 degC."""

SHORTED_RATIO = 0.005
"""A thermistor that takes less of the reference than this is shorted: 1/199 of its size at
25 degC is hotter than 200 degC."""

PLATINUM_LOWEST = 0.185201
PLATINUM_HIGHEST = 3.904811
"""R/R0 at -200 and 850 degC, where IEC 60751 ends; outside, the sensor is shorted or open."""

Formula = Callable[[Any, float, Any], Any]


def formula_of(sensor: Sensor) -> Formula:
    """The sensor's formula f(x, full_scale, p): x is the mean count per conversion, p holds
    the sensor's parameters as plain numbers (`plain_parameters`) or as numbers with uncertainties.
    """
    return _FORMULAS[type(sensor)]


def plain_parameters(sensor: Sensor) -> SimpleNamespace:
    """The sensor's parameters as plain numbers, by name."""
    values = {item.name: getattr(sensor, item.name) for item in fields(sensor)}
    return SimpleNamespace(
        **{
            name: value.value if isinstance(value, Parameter) else value
            for name, value in values.items()
        }
    )


def ratio_span(sensor: Sensor) -> tuple[float, float] | None:
    """The shares of the reference across a resistive sensor below which it is shorted and
    above which it is open; None for other sensors.
    """
    if isinstance(sensor, Pt100 | Pt1000):
        series, r0 = sensor.series_ohm.value, sensor.r0_ohm.value
        ends = (PLATINUM_LOWEST * r0, PLATINUM_HIGHEST * r0)
        return ends[0] / (ends[0] + series), ends[1] / (ends[1] + series)
    if isinstance(sensor, Resistive):
        return SHORTED_RATIO, OPEN_RATIO
    return None


def share(x: Any, full_scale: float, position: str) -> Any:
    """The share of the reference across a resistive sensor, 0 to 1."""
    ratio = x / full_scale
    return ratio if position == "low" else 1 - ratio


def _shunt(x: Any, full_scale: float, p: Any) -> Any:
    return (x * p.reference_v / full_scale - p.offset_v) / (p.gain * p.shunt_ohm)


def _divider(x: Any, full_scale: float, p: Any) -> Any:
    return x * p.reference_v / full_scale * (p.upper_ohm + p.lower_ohm) / p.lower_ohm


def _ohms(x: Any, full_scale: float, p: Any) -> Any:
    ratio = share(x, full_scale, p.position)
    return p.series_ohm * ratio / (1 - ratio)


def _ntc_beta(x: Any, full_scale: float, p: Any) -> Any:
    logarithm = _log(_ohms(x, full_scale, p) / p.r25_ohm)
    return 1 / (1 / R25_KELVIN + logarithm / p.beta_k) - KELVIN


def _ntc_steinhart(x: Any, full_scale: float, p: Any) -> Any:
    logarithm = _log(_ohms(x, full_scale, p))
    return 1 / (p.a + p.b * logarithm + p.c * logarithm**3) - KELVIN


def _platinum(x: Any, full_scale: float, p: Any) -> Any:
    return platinum_degc(_ohms(x, full_scale, p) / p.r0_ohm)


def platinum_degc(relative: Any) -> Any:
    """The temperature at which a platinum resistor has `relative` = R/R0 (IEC 60751).

    The quadratic above 0 degC is solved in closed form; below, Newton's method adds the
    fourth-order term (three steps reach 1e-9 degC from -200 degC on).
    """
    degc = (-CVD_A + (CVD_A**2 - 4 * CVD_B * (1 - relative)) ** 0.5) / (2 * CVD_B)
    # Numbers with uncertainties are compared by their nominal value.
    c = CVD_C * (getattr(relative, "nominal_value", relative) < 1)
    for _ in range(3):
        excess = 1 + degc * (CVD_A + degc * (CVD_B + c * (degc - 100) * degc)) - relative
        slope = CVD_A + degc * (2 * CVD_B + c * (4 * degc - 300) * degc)
        degc = degc - excess / slope
    return degc


def _digital(x: Any, _full_scale: float, p: Any) -> Any:
    return x * p.degc_per_count + p.offset


def _load_cell(x: Any, _full_scale: float, p: Any) -> Any:
    load = (x - p.zero_count) * p.per_count
    return load if p.arm_m is None else load * p.arm_m


def _line(x: Any, _full_scale: float, p: Any) -> Any:
    return p.intercept + p.slope * x


_FORMULAS: dict[type[Sensor], Formula] = {
    Shunt: _shunt,
    Divider: _divider,
    NtcBeta: _ntc_beta,
    NtcSteinhart: _ntc_steinhart,
    Pt100: _platinum,
    Pt1000: _platinum,
    Digital: _digital,
    LoadCell: _load_cell,
    Line: _line,
}


def _log(x: Any) -> Any:
    if isinstance(x, float):
        return math.log(x)
    if isinstance(x, np.ndarray):
        return np.log(x)
    from uncertainties import umath

    return umath.log(x)
