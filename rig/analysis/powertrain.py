"""What else would give the same speed, estimated: other gears, windings, cells, rotors.

The first-order motor (M. Drela, "First-Order DC Electric Motor Model", 2007, from memory):
n = Kv (V - I R), torque = Kt (I - I0), Kt = 60 / (2 pi Kv). The load takes torque with the
square of its speed (affinity laws). With the load's constant c, torque = c n^2, speed is the
root of a quadratic.

A controller's ramp hides what a motor does while it spins up, and at one steady point rpm per
volt and resistance cannot be told apart. So the tester gives the motor's rpm per volt, and the
resistance is what the point then asks for; without it a share of the voltage is assumed to be
lost. At part throttle both are effective values, the controller's duty taken for the throttle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from uncertainties import ufloat, umath

from rig.analysis.passed import passed
from rig.errors import SettingsError
from rig.stand.model import Limits

TORQUE_KV = 60.0 / (2.0 * math.pi)
"""Kt in N m/A times Kv in rpm/V."""

DROP_SHARE = (0.10, 0.05)
"""The part of the supply's voltage that motor, controller and leads lose, and its standard
uncertainty, where rpm per volt is not given: common practice, no source."""

LABEL_U = 0.02
"""Relative standard uncertainty of the rpm per volt on a motor's label: common practice, no
source."""

SIZES = (0.5, 2.0)
"""Sizes beyond half and twice the present one are not looked for."""

ASSUMPTIONS = (
    "first-order motor; the load's torque goes with the square of its speed",
    "another winding at the same copper: resistance with 1 / (rpm per volt)^2, no-load current "
    "with rpm per volt",
    "rotors of one shape: power goes with speed^3 and diameter^5, thrust with speed^2 and "
    "diameter^4 (affinity laws)",
    "the supply does not sag further, and a gear loses nothing",
    "heat is not estimated, so no limit of temperature is checked",
)

LIMITS_UNKNOWN = ("the stand's limits are not known",)


@dataclass(frozen=True, slots=True)
class Motor:
    """Parameters, plain numbers or `UFloat`s: rpm/V, ohm, A."""

    kv_rpm_per_v: Any
    resistance_ohm: Any
    no_load_a: Any = 0.0


@dataclass(frozen=True, slots=True)
class Point:
    """Where the powertrain runs: the motor's speed, its supply and its current."""

    speed_rpm: Any
    voltage_v: float
    current_a: Any

    @property
    def power_w(self) -> Any:
        """What it draws."""
        return self.voltage_v * self.current_a


@dataclass(frozen=True, slots=True)
class Gear:
    """A pinion on the motor, a spur on the load."""

    pinion: int
    spur: int


@dataclass(frozen=True, slots=True)
class Alternative:
    """One estimated change, in percent of the present point: value and standard uncertainty.

    `speed_pct` and `thrust_pct` are the load's. `exceeds` says in words which limits it passes.
    """

    name: str
    speed_pct: tuple[float, float]
    current_pct: tuple[float, float]
    power_pct: tuple[float, float]
    thrust_pct: tuple[float, float]
    exceeds: tuple[str, ...]


def motor_at(
    point: Point,
    *,
    kv_rpm_per_v: float | None = None,
    throttle: float = 1.0,
    no_load_a: float = 0.0,
) -> Motor:
    """The effective motor that runs at `point`: its parameters are correlated `UFloat`s.

    `throttle` is a fraction. Raises SettingsError for an rpm per volt that the point denies.
    """
    if kv_rpm_per_v is None:
        lost = ufloat(*DROP_SHARE, "share lost")
    else:
        kv = ufloat(kv_rpm_per_v, LABEL_U * kv_rpm_per_v, "rpm per volt")
        lost = 1.0 - point.speed_rpm / (kv * throttle * point.voltage_v)
        if not 0.0 < lost.nominal_value < 1.0:
            free_rpm = kv_rpm_per_v * throttle * point.voltage_v
            raise SettingsError(
                f"{kv_rpm_per_v:g} rpm per volt would turn {free_rpm:.0f} rpm without a load, and "
                f"{point.speed_rpm:.0f} rpm were measured under load",
                where="--rpm-per-volt",
                to_do="Give the motor's own figure; a gear counts in --teeth.",
            )
    return Motor(
        point.speed_rpm / (point.voltage_v * (1.0 - lost)),
        lost * point.voltage_v / point.current_a,
        no_load_a,
    )


def load_constant(motor: Motor, point: Point) -> Any:
    """c of torque = c n^2, in N m/rpm^2, for a load that holds `motor` at `point`."""
    torque_nm = TORQUE_KV / motor.kv_rpm_per_v * (point.current_a - motor.no_load_a)
    return torque_nm / point.speed_rpm**2


def operating_point(motor: Motor, voltage_v: float, load: Any) -> Point:
    """Where `motor` on `voltage_v` holds a load of constant `load`."""
    kv, ohm = motor.kv_rpm_per_v, motor.resistance_ohm
    bend = kv**2 * ohm * load / TORQUE_KV
    free_rpm = kv * (voltage_v - ohm * motor.no_load_a)
    # The root of bend n^2 + n = free_rpm, in the form that keeps its digits for bend -> 0.
    speed_rpm = 2.0 * free_rpm / (1.0 + umath.sqrt(1.0 + 4.0 * bend * free_rpm))
    return Point(speed_rpm, voltage_v, motor.no_load_a + kv * load * speed_rpm**2 / TORQUE_KV)


@dataclass(frozen=True, slots=True)
class _Bench:
    """The present powertrain, and what a change of each kind and size makes of it."""

    motor: Motor
    voltage_v: float
    load: Any
    """As the motor feels it."""
    ratio: float = 1.0
    """The load's speed over the motor's, in parts of the present one."""
    supply: float = 1.0
    """The supply's voltage in parts of the present one."""
    diameter: float = 1.0
    """The rotor's, in parts of the present one."""
    cells: int | None = None

    def point(self) -> tuple[Any, Point]:
        """The load's speed in parts of what the motor turns at, and the point."""
        point = operating_point(self.motor, self.voltage_v, self.load)
        return point.speed_rpm * self.ratio, point

    def geared(self, ratio: float) -> _Bench:
        return replace(self, load=self.load * ratio**3, ratio=ratio)

    def wound(self, size: float) -> _Bench:
        kv, ohm, none = (
            self.motor.kv_rpm_per_v,
            self.motor.resistance_ohm,
            self.motor.no_load_a,
        )
        return replace(self, motor=Motor(kv * size, ohm / size**2, none * size))

    def supplied(self, size: float, cells: int | None = None) -> _Bench:
        return replace(self, voltage_v=self.voltage_v * size, supply=size, cells=cells)

    def rotor(self, size: float) -> _Bench:
        return replace(self, load=self.load * size**5, diameter=size)

    def thrust(self) -> Any:
        """Proportional to it: speed^2 diameter^4 (affinity laws; the thrust coefficient of
        propellers, T / (density n^2 D^4), is constant)."""
        return self.point()[0] ** 2 * self.diameter**4


def alternatives(
    motor: Motor,
    point: Point,
    *,
    wanted_pct: float,
    gear: Gear | None = None,
    cells: int | None = None,
    limits: Limits | None = None,
    rest_v: float | None = None,
) -> list[Alternative]:
    """Computed changes from `point`, where `motor` runs now.

    Only what the drive has is changed. With a `gear` one tooth more and less, and its ratio;
    with a pack of `cells` in series one cell more and less, and otherwise the supply's voltage.
    Of each continuous kind the size that would give `wanted_pct` of the load's speed. `limits`
    are the stand's, whose speed is the motor's; `rest_v` is the supply's voltage at rest, which
    is held to them too.
    """
    now = _Bench(motor, point.voltage_v, load_constant(motor, point), cells=cells)
    found: list[tuple[str, _Bench]] = []
    if gear is not None:
        for pinion, spur in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            if gear.pinion + pinion > 0 and gear.spur + spur > 0:
                ratio = (gear.pinion + pinion) * gear.spur / (gear.pinion * (gear.spur + spur))
                part, teeth = ("pinion", gear.pinion + pinion) if pinion else (
                    "spur", gear.spur + spur
                )  # fmt: skip
                found.append((f"{part} of {teeth} teeth", now.geared(ratio)))
    if cells is not None:
        found += [
            (f"{count} cells", now.supplied(count / cells, count))
            for count in (cells + 1, cells - 1)
            if count > 0
        ]
    kinds: list[tuple[str, Callable[[float], _Bench]]] = [
        ("rpm per volt", now.wound),
        ("rotor diameter", now.rotor),
    ]
    if cells is None:
        kinds.append(("supply voltage", now.supplied))
    if gear is not None:
        kinds.append(("gear ratio", now.geared))
    for name, change in kinds:
        size = _size_for(change, 1.0 + wanted_pct / 100.0)
        if size is not None:
            found.append((f"{name} {100.0 * (size - 1.0):+.1f} %", change(size)))
    return [_judged(name, bench, now, limits, rest_v) for name, bench in found]


def vehicle_speed(speed: float, change_pct: float) -> float:
    """Top speed after a change of the motor's speed: in proportion, for a vehicle whose wheels
    it turns (common practice, no source)."""
    return speed * (1.0 + change_pct / 100.0)


def _size_for(change: Callable[[float], _Bench], wanted: float) -> float | None:
    here = _nominal(change(1.0).point()[0])

    def missing(size: float) -> float:
        return _nominal(change(size).point()[0]) / here - wanted

    from scipy import optimize

    ends = [missing(size) for size in SIZES]
    if ends[0] * ends[1] > 0.0:
        return None
    return float(optimize.brentq(missing, *SIZES, xtol=1e-6))


def _judged(
    name: str, bench: _Bench, now: _Bench, limits: Limits | None, rest_v: float | None
) -> Alternative:
    (speed, point), (speed_now, point_now) = bench.point(), now.point()
    return Alternative(
        name,
        _percent(speed / speed_now),
        _percent(point.current_a / point_now.current_a),
        _percent(point.power_w / point_now.power_w),
        _percent(bench.thrust() / now.thrust()),
        LIMITS_UNKNOWN if limits is None else _passed(bench, point, limits, rest_v),
    )


def _passed(bench: _Bench, point: Point, limits: Limits, rest_v: float | None) -> tuple[str, ...]:
    limits = replace(limits, cells=bench.cells or limits.cells)
    reached = {
        "current_a": point.current_a, "voltage_v": point.voltage_v, "power_w": point.power_w,
        "speed_rpm": point.speed_rpm,
    }  # fmt: skip
    loaded = passed(limits, reached)
    resting = passed(limits, {"voltage_v": rest_v * bench.supply}) if rest_v is not None else ()
    return (*loaded, *(f"{words} at rest" for words in resting if words not in loaded))


def _percent(ratio: Any) -> tuple[float, float]:
    return 100.0 * (_nominal(ratio) - 1.0), 100.0 * float(getattr(ratio, "std_dev", 0.0))


def _nominal(value: Any) -> float:
    return float(getattr(value, "nominal_value", value))
