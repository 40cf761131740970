"""The first-order motor and estimated changes, against closed forms."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize
from uncertainties import ufloat

from rig.analysis.passed import passed
from rig.analysis.powertrain import (
    TORQUE_KV,
    Gear,
    Motor,
    Point,
    alternatives,
    load_constant,
    motor_at,
    operating_point,
    vehicle_speed,
)
from rig.errors import SettingsError
from rig.stand.model import Level, Limits, OverCurrent
from rig.stand.settings import demo_stand
from tests.recorder.test_trips import Bench, demo_board, plan

MOTOR = Motor(1000.0, 0.1, 1.0)


def efficiency(motor: Motor, voltage_v: float, current_a: float) -> float:
    """Shaft power over input power, from speed and torque."""
    speed_rpm = motor.kv_rpm_per_v * (voltage_v - current_a * motor.resistance_ohm)
    torque_nm = TORQUE_KV / motor.kv_rpm_per_v * (current_a - motor.no_load_a)
    return float(torque_nm * speed_rpm * math.pi / 30.0 / (voltage_v * current_a))


def test_the_current_of_best_efficiency() -> None:
    # d(eta)/dI = 0 gives sqrt(I0 V / R) and (1 - sqrt(I0 R / V))^2 (Drela 2007, from memory);
    # found here by a general maximiser.
    best = optimize.minimize_scalar(
        lambda i: -efficiency(MOTOR, 12.0, i), bounds=(1.0, 100.0), options={"xatol": 1e-9}
    )
    assert best.x == pytest.approx(math.sqrt(1.0 * 12.0 / 0.1), rel=1e-5)
    assert -best.fun == pytest.approx((1.0 - math.sqrt(1.0 * 0.1 / 12.0)) ** 2, rel=1e-9)


def test_a_worked_point() -> None:
    # 24 V, 0.5 ohm, 0.4 A, 300 rpm/V at 10 A: 5700 rpm and an efficiency of 0.76, by hand.
    motor = Motor(300.0, 0.5, 0.4)
    assert efficiency(motor, 24.0, 10.0) == pytest.approx(0.76)
    load = load_constant(motor, Point(5700.0, 24.0, 10.0))
    point = operating_point(motor, 24.0, load)
    assert point.speed_rpm == pytest.approx(5700.0)
    assert point.current_a == pytest.approx(10.0)
    assert load * 5700.0**2 == pytest.approx(0.305577490736)


def test_an_ideal_motor_turns_in_proportion_and_draws_by_the_cube_law() -> None:
    found = alternatives(
        Motor(1000.0, 1e-9), Point(12e3, 12.0, 20.0), wanted_pct=10.0, gear=Gear(10, 40)
    )
    by_name = {item.name: item for item in found}
    assert by_name["supply voltage +10.0 %"].power_pct[0] == pytest.approx(33.1, abs=1e-4)
    assert by_name["supply voltage +10.0 %"].current_pct[0] == pytest.approx(21.0, abs=1e-4)
    assert by_name["pinion of 11 teeth"].speed_pct[0] == pytest.approx(10.0, abs=1e-4)
    assert by_name["pinion of 11 teeth"].power_pct[0] == pytest.approx(33.1, abs=1e-4)


@given(st.floats(10.0, 60.0), st.floats(0.005, 0.05), st.floats(0.0, 2.0), st.floats(0.5, 8.0))
def test_what_was_wanted_is_what_is_bought(
    current_a: float, ohm: float, none_a: float, wanted: float
) -> None:
    motor = Motor(500.0, ohm, none_a)
    point = Point(500.0 * (24.0 - ohm * current_a), 24.0, current_a)
    for item in alternatives(motor, point, wanted_pct=wanted, cells=6):
        if item.name.endswith("%"):
            assert item.speed_pct[0] == pytest.approx(wanted, abs=1e-3)
        if item.name == "7 cells":
            assert item.speed_pct[0] > 0.0 and item.current_pct[0] > 0.0


def test_limits_that_would_be_passed_are_named() -> None:
    (more, less, *_) = alternatives(
        Motor(500.0, 0.02),
        Point(11_100.0, 24.0, 90.0),
        wanted_pct=1.0,
        cells=6,
        limits=Limits(levels=(("current", Level(trip_over=100.0)),)),
    )
    assert (more.name, more.exceeds) == ("7 cells", ("trips: current over 100.0 A",))
    assert (less.name, less.exceeds) == ("5 cells", ())


def test_every_limit_of_the_stand_is_checked() -> None:
    """Seven cells on the demo's stand, which trips at 27 V."""
    point = Point(11_400.0, 24.0, 60.0)
    found = alternatives(
        Motor(500.0, 0.02), point, wanted_pct=1.0, cells=6, limits=demo_stand().limits, rest_v=25.0
    )
    more, less, *_ = found
    assert more.name == "7 cells"
    first, *rest = more.exceeds
    assert first == "trips: voltage over 27.0 V"
    # At 6/5 of the current: extremely inverse, 80 / (M^2 - 1) times 0.5 (IEC 60255-151).
    seconds = 0.5 * 80.0 / ((60.0 * (1.0 + more.current_pct[0] / 100.0) / 75.0) ** 2 - 1.0)
    assert rest == [f"trips after {float(f'{seconds:.2g}'):g} s: inverse-time over-current"]
    # Five cells are held to the limits of five, not of six (6 x 3.5 V is over 20 V).
    assert (less.name, less.exceeds) == ("5 cells", ())


def test_a_supply_that_trips_at_rest_is_said_to() -> None:
    (more, *_) = alternatives(
        Motor(500.0, 0.02), Point(10_000.0, 21.5, 40.0), wanted_pct=1.0, cells=6,
        limits=demo_stand().limits, rest_v=24.0,
    )  # fmt: skip
    assert more.exceeds == ("trips: voltage over 27.0 V at rest",)


def test_without_limits_nothing_is_called_safe() -> None:
    (first, *_) = alternatives(MOTOR, Point(9000.0, 12.0, 20.0), wanted_pct=1.0)
    assert first.exceeds == ("the stand's limits are not known",)


@pytest.mark.parametrize(
    ("current_a", "words"),
    [
        (70.0, ()),
        (86.0, ("trips after 130 s: inverse-time over-current", "warns: current over 85.0 A")),
        (101.0, ("trips: current over 100.0 A", "trips after 49 s: inverse-time over-current")),
        (ufloat(83.0, 2.0), ("trips after 180 s: inverse-time over-current",
                             "may warn: current over 85.0 A")),
        (ufloat(74.0, 2.0), ("may trip after 490 s: inverse-time over-current",)),
    ],
)  # fmt: skip
def test_warnings_trips_and_times(current_a: Any, words: tuple[str, ...]) -> None:
    limits = Limits(
        levels=(("current", Level(warn_over=85.0, trip_over=100.0)),),
        overcurrent=OverCurrent("C", 75.0, 0.5),
    )
    # 0.5 * 80 / (M^2 - 1) by hand (IEC 60255-151, curve C): 86 A 126.9 s, 101 A 49.2 s,
    # 83 A 178 s, 78 A 490 s.
    assert sorted(passed(limits, {"current_a": current_a})) == sorted(words)


def test_under_levels_are_limits_too() -> None:
    limits = Limits(levels=(("speed", Level(trip_under=500.0)),), cells=6, cell_warn_v=3.5)
    found = passed(limits, {"voltage_v": 20.5, "speed_rpm": 450.0})
    assert found == ("trips: speed under 500 rpm", "warns: voltage under 21.0 V")


def test_only_what_the_drive_has_is_offered() -> None:
    def kinds(**drive: Any) -> set[str]:
        point = Point(5700.0, 24.0, 10.0)
        found = alternatives(Motor(300.0, 0.5, 0.4), point, wanted_pct=2.0, **drive)
        return {" ".join(word for word in item.name.split() if word.isalpha()) for item in found}

    always = {"rpm per volt", "rotor diameter"}
    assert kinds() == always | {"supply voltage"}
    assert kinds(cells=6) == always | {"cells"}
    assert kinds(gear=Gear(12, 60)) >= always | {"gear ratio", "pinion of teeth", "spur of teeth"}


def test_a_smaller_rotor_loses_thrust() -> None:
    """Against momentum theory (Rankine and Froude): thrust = (2 density area P^2)^(1/3)."""
    point = Point(5700.0, 24.0, 10.0)
    found = alternatives(Motor(300.0, 0.5, 0.4), point, wanted_pct=2.0)
    (rotor,) = (item for item in found if item.name.startswith("rotor diameter"))
    size = 1.0 + float(rotor.name.split()[-2]) / 100.0
    power = (1.0 + rotor.speed_pct[0] / 100.0) ** 3 * size**5
    thrust = (size**2 * power**2) ** (1.0 / 3.0)
    assert size < 1.0
    assert rotor.thrust_pct[0] == pytest.approx(100.0 * (thrust - 1.0), abs=0.2)
    assert rotor.thrust_pct[0] < -3.0
    # The same rotor at another speed: with its square.
    (wound,) = (item for item in found if item.name.startswith("rpm per volt"))
    assert wound.thrust_pct[0] == pytest.approx(4.04, abs=1e-2)


def test_what_is_known_of_the_motor_decides_how_sure_the_answer_is() -> None:
    point = Point(11_000.0, 24.0, 30.0)
    assumed = motor_at(point)
    told = motor_at(point, kv_rpm_per_v=500.0)
    assert told.kv_rpm_per_v.nominal_value == pytest.approx(500.0)
    # 24 V less 11000 / 500 V, over 30 A.
    assert told.resistance_ohm.nominal_value == pytest.approx(2.0 / 30.0)
    widths = [
        alternatives(motor, point, wanted_pct=2.0)[0].current_pct[1] for motor in (assumed, told)
    ]
    assert 0.0 < widths[1] < widths[0]


@pytest.mark.parametrize("kv", [400.0, 458.0])
def test_an_rpm_per_volt_that_the_point_denies_is_refused(kv: float) -> None:
    with pytest.raises(SettingsError, match="rpm per volt would turn"):
        motor_at(Point(11_000.0, 24.0, 30.0), kv_rpm_per_v=kv)


def test_what_a_vehicle_would_do() -> None:
    # Common practice, no source: one at 100 would do 101.37.
    assert vehicle_speed(100.0, 1.37) == pytest.approx(101.37)


def test_what_is_computed_is_what_the_simulated_stand_then_does() -> None:
    """Another winding in the simulator against the paper, within two standard uncertainties."""
    from dataclasses import replace

    from rig.simulator.parts import Motor as SimulatedMotor

    def steady(size: float) -> Point:
        board = demo_board(10.0, seed=3)
        motor = SimulatedMotor(timing_deg=10.0)
        board.plant.motor = replace(
            motor, kv_rpm_per_v=motor.kv_rpm_per_v * size, winding_ohm=motor.winding_ohm / size**2,
            no_load_a=motor.no_load_a * size,
        )  # fmt: skip
        bench = Bench(board)
        receive, seen = board.receive, []

        def watch(data: bytes) -> None:
            receive(data)
            now = board.truth
            if bench.session.state.value == "running":
                seen.append((now.time_s, now.speed_rpm, now.voltage_v, now.current_a))

        board.receive = watch  # type: ignore[method-assign]
        bench.run(plan(throttle=((70.0, 3.0),), soak_s=0.0))
        return Point(*np.array(seen)[-5:, 1:].mean(axis=0))

    now, then = steady(1.0), steady(1.05)
    motor = motor_at(now, kv_rpm_per_v=SimulatedMotor(timing_deg=10.0).kv_now, throttle=0.7)
    speed_pct = 100.0 * (then.speed_rpm / now.speed_rpm - 1.0)
    found = {a.name.split(" +")[0]: a for a in alternatives(motor, now, wanted_pct=speed_pct)}
    wound = found["rpm per volt"]
    assert float(wound.name.split()[-2]) == pytest.approx(5.0, abs=0.6)
    power_pct = 100.0 * (then.power_w / now.power_w - 1.0)
    assert wound.power_pct[0] == pytest.approx(power_pct, abs=2.0 * wound.power_pct[1] + 1.0)
