"""The first-order motor and changes on paper, against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize

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
        limits={"current_a": 100.0},
    )
    assert (more.name, more.exceeds) == ("7 cells", ("current_a",))
    assert (less.name, less.exceeds) == ("5 cells", ())


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
