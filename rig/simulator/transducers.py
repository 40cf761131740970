"""What each sensor gives for a quantity: the formulas of physics, quantity in, level out.

A level is in counts of one conversion, not rounded. The stand has the formulas that lead back;
neither knows of the other, so that each proves the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from rig.stand.sensor_kinds import (
    Digital,
    Divider,
    Line,
    LoadCell,
    NtcBeta,
    NtcSteinhart,
    Pt100,
    Pt1000,
    Sensor,
    Shunt,
)

_KELVIN = 273.15

Transducer = Callable[[float], float]


def transducer(sensor: Sensor, full_scale: int) -> Transducer:
    """Quantity to level, for a sensor with these values."""
    end = float(full_scale)
    match sensor:
        case Shunt():
            ohm = sensor.shunt_ohm.value * sensor.gain.value
            per_volt, offset_v = end / sensor.reference_v.value, sensor.offset_v.value
            return lambda amps: (amps * ohm + offset_v) * per_volt
        case Divider():
            divided = sensor.lower_ohm.value / (sensor.upper_ohm.value + sensor.lower_ohm.value)
            per_volt = end / sensor.reference_v.value
            return lambda volts: volts * divided * per_volt
        case Digital():
            return lambda degc: (degc - sensor.offset.value) / sensor.degc_per_count.value
        case LoadCell():
            arm = 1.0 if sensor.arm_m is None else sensor.arm_m.value
            per_count, zero = sensor.per_count.value * arm, sensor.zero_count.value
            return lambda load: load / per_count + zero
        case Line():
            return lambda value: (value - sensor.intercept) / sensor.slope
        case NtcBeta() | NtcSteinhart() | Pt100() | Pt1000():
            return _divided(_resistance(sensor), sensor.series_ohm.value, sensor.position, end)


def _divided(ohms: Transducer, series_ohm: float, position: str, end: float) -> Transducer:
    """degC to the share of the reference that the converter sees, times `end`."""

    def level(degc: float) -> float:
        ohm = ohms(degc)
        return end * ((ohm if position == "low" else series_ohm) / (ohm + series_ohm))

    return level


def _resistance(sensor: NtcBeta | NtcSteinhart | Pt100 | Pt1000) -> Transducer:
    """degC to ohm."""
    if isinstance(sensor, NtcBeta):
        r25, beta = sensor.r25_ohm.value, sensor.beta_k.value
        cold = 1.0 / (25.0 + _KELVIN)
        return lambda degc: r25 * _exp(beta * (1.0 / (degc + _KELVIN) - cold))
    if isinstance(sensor, NtcSteinhart):
        a, b, c = sensor.a.value, sensor.b.value, sensor.c.value
        return lambda degc: _exp(_logarithm(a - 1.0 / (degc + _KELVIN), b, c))
    r0 = sensor.r0_ohm.value
    return lambda degc: r0 * _platinum(degc)


def _logarithm(a: float, b: float, c: float) -> float:
    """The x with a + b x + c x^3 = 0, by Newton's method from the root of the linear part."""
    x = -a / b if b else 0.0
    for _ in range(20):
        slope = b + 3.0 * c * x * x
        if not slope:
            break
        x -= (a + x * (b + c * x * x)) / slope
    return x


def _exp(x: float) -> float:
    """No stand's file, however odd, may end in an overflow."""
    return math.exp(min(x, 700.0))


def _platinum(degc: float) -> float:
    """R/R0 of IEC 60751:2008 (Callendar and Van Dusen)."""
    relative = 1.0 + 3.9083e-3 * degc - 5.775e-7 * degc * degc
    return relative if degc >= 0.0 else relative - 4.183e-12 * (degc - 100.0) * degc**3
