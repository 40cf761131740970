"""The drive's physics against closed formulas, published arithmetic and the energy balance."""

from __future__ import annotations

import math
from dataclasses import astuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.simulator.day import plant_for
from rig.simulator.parts import (
    RPM,
    BenchSupply,
    Controller,
    Heat,
    Motor,
    Pack,
    Rotor,
    Supply,
    Surroundings,
)
from rig.simulator.plant import Plant
from rig.simulator.settings import Settings

ALWAYS_COOL = Heat(winding_j_k=1e15, case_j_k=1e15, controller_j_k=1e15, pack_j_k=1e15)


def plain_plant(
    *, volts: float, ohm: float, no_load_a: float, kv: float, rotor: Rotor, throttle: float = 1.0
) -> Plant:
    """A first-order motor with nothing else in the way, run until steady."""
    plant = Plant(
        Motor(kv, ohm, no_load_a, no_load_a_per_krpm=0.0, timing_deg=0.0),
        rotor,
        Controller(on_ohm=0.0, ramp_s=0.01, standby_a=0.0),
        Supply(volts, volts, math.inf, 0.0, internal_ohm=0.0),
        ALWAYS_COOL,
        Surroundings(air_degc=20.0),
    )
    plant.driven, plant.throttle = True, throttle
    for _ in range(20_000):
        plant.step(0.001)
    return plant


# First-order motor: n = Kv (V - I R), torque = Kt (I - I0), Kt = 60 / (2 pi Kv); M. Drela,
# "First-Order DC Electric Motor Model", MIT 2007. Numbers computed from these formulas.


@pytest.mark.parametrize(
    ("kv", "kt"),
    [(100.0, 0.095492966), (500.0, 0.019098593), (920.0, 0.010379670), (2300.0, 0.004151868)],
)
def test_torque_per_ampere(kv: float, kt: float) -> None:
    assert Motor(kv_rpm_per_v=kv, timing_deg=0.0).kt_nm_per_a == pytest.approx(kt, rel=1e-6)


def test_no_load_speed() -> None:
    plant = plain_plant(volts=12.0, ohm=0.1, no_load_a=1.0, kv=1000.0, rotor=Rotor(reference_w=0.0))
    assert plant.speed_rpm == pytest.approx(1000.0 * (12.0 - 1.0 * 0.1), rel=1e-9)
    assert plant.current_a == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(
    ("volts", "ohm", "no_load_a", "kv", "rpm", "amps", "shaft_w", "electrical_w"),
    [
        (12.0, 0.1, 1.0, 1000.0, 10904.5548850, 10.9544511501, 108.548858916, 131.453413801),
        (24.0, 0.5, 0.4, 300.0, 5700.0, 10.0, 182.4, 240.0),
    ],
)
def test_loaded_motor(
    volts: float,
    ohm: float,
    no_load_a: float,
    kv: float,
    rpm: float,
    amps: float,
    shaft_w: float,
    electrical_w: float,
) -> None:
    rotor = Rotor(reference_w=shaft_w, reference_rpm=rpm)
    plant = plain_plant(volts=volts, ohm=ohm, no_load_a=no_load_a, kv=kv, rotor=rotor)
    assert plant.speed_rpm == pytest.approx(rpm, rel=1e-9)
    assert plant.current_a == pytest.approx(amps, rel=1e-9)
    assert plant.powers.shaft == pytest.approx(shaft_w, rel=1e-9)
    assert plant.powers.electrical == pytest.approx(electrical_w, rel=1e-9)


def test_copper_resistance() -> None:
    """IEC 60028: 0.00393 per kelvin at 20 degC, so R(100)/R(20) = 1.3144; and the rise from
    80 to 100 ohm is 63.6132 K."""
    motor = Motor(timing_deg=0.0)
    assert motor.ohm(100.0) / motor.ohm(20.0) == pytest.approx(1.3144, abs=1e-9)
    assert motor.ohm(20.0 + 63.6132) / motor.ohm(20.0) == pytest.approx(100 / 80, rel=1e-6)


@pytest.mark.parametrize(("speed", "power"), [(1.1, 1.331), (0.7, 0.343), (1.25, 1.953125)])
def test_cube_law(speed: float, power: float) -> None:
    """Affinity laws: shaft power goes with the cube of speed. 1200 to 1500 rpm is 1.953125."""

    def shaft_w(rpm: float) -> float:
        plant = Plant(Motor(no_load_a=0.0, no_load_a_per_krpm=0.0), Rotor(inertia_kgm2=1e9))
        plant.speed_rad_s = rpm * RPM
        plant.step(1e-6)
        return plant.powers.shaft

    assert shaft_w(5000.0 * speed) / shaft_w(5000.0) == pytest.approx(power, rel=1e-6)


def test_power_goes_with_air_density() -> None:
    """Fan law: at the same speed power is proportional to density. Standard atmosphere
    (ISO 2533): 1.225 at sea level and 1.006554 kg/m3 at 2000 m."""
    rotor = Rotor()
    ratio = rotor.torque_factor(1.006554) / rotor.torque_factor(1.225)
    assert ratio == pytest.approx(0.821677, abs=1e-6)


# Battery arithmetic: 4.2 V a cell when charged, 5 A for 1 h is 5 Ah (data-sheet convention).


@pytest.mark.parametrize(("cells", "full_v"), [(3, 12.6), (4, 16.8), (6, 25.2)])
def test_full_pack(cells: int, full_v: float) -> None:
    supply = Pack(cells).at(full_v)
    assert supply.full_v == pytest.approx(full_v)
    assert supply.open_v(0.0) == pytest.approx(full_v)


def test_pack_runs_down_with_charge() -> None:
    supply = Pack(6).at(25.2)
    half_h_at_10_a = 0.5 * 3600.0 * 10.0
    assert supply.open_v(half_h_at_10_a) == pytest.approx(0.5 * (25.2 + 21.0))
    assert supply.open_v(1e9) == pytest.approx(21.0)
    assert BenchSupply(24.0).at().open_v(1e9) == 24.0


def test_supply_sags_by_its_resistance() -> None:
    plant = plant_for(Settings(ideal=True))
    plant.driven, plant.throttle = True, 1.0
    for _ in range(3000):
        plant.step(0.001)
    drawn_v = plant.supply.open_v(plant.drawn_as)
    sag_v = drawn_v - plant.voltage_v
    assert sag_v == pytest.approx(0.018 * plant.current_a, rel=1e-4)
    assert sag_v > 1.0


@given(
    kv=st.floats(100.0, 3000.0),
    ohm=st.floats(0.005, 1.0),
    no_load_a=st.floats(0.0, 5.0),
    timing_deg=st.floats(0.0, 30.0),
    reference_w=st.floats(0.0, 3000.0),
    inertia=st.floats(1e-6, 1e-2),
    throttle=st.floats(0.0, 1.0),
    gust=st.floats(-0.2, 0.2),
    dt_s=st.sampled_from([1e-4, 1e-3, 5e-3, 0.05]),
)
def test_what_goes_in_comes_out_or_is_stored(
    kv: float,
    ohm: float,
    no_load_a: float,
    timing_deg: float,
    reference_w: float,
    inertia: float,
    throttle: float,
    gust: float,
    dt_s: float,
) -> None:
    plant = Plant(
        Motor(kv, ohm, no_load_a, timing_deg=timing_deg),
        Rotor(inertia, reference_w),
        Controller(ramp_s=0.05),
    )
    plant.driven, plant.throttle = True, throttle
    for step in range(150):
        if step == 100:
            plant.driven = False
        plant.step(dt_s, gust)
        powers = plant.powers
        assert all(map(math.isfinite, astuple(powers))) and plant.speed_rad_s >= 0.0
        if plant.speed_rad_s > 0.0:
            spent_w = powers.copper + powers.iron + powers.controller + powers.shaft
            spent_w += powers.aside
            scale_w = max(map(abs, astuple(powers)))
            assert powers.electrical == pytest.approx(spent_w + powers.stored, abs=1e-8 * scale_w)


def test_step_size_does_not_matter() -> None:
    def speed(dt_s: float) -> float:
        plant = plant_for(Settings(ideal=True))
        plant.driven, plant.throttle = True, 0.8
        for _ in range(round(3.0 / dt_s)):
            plant.step(dt_s)
        return plant.speed_rpm

    assert speed(0.01) == pytest.approx(speed(0.0005), rel=1e-5)


def steady(timing_deg: float, throttle: float = 0.7) -> Plant:
    plant = plant_for(Settings(timing_deg=timing_deg, ideal=True))
    plant.driven, plant.throttle = True, throttle
    for _ in range(3000):
        plant.step(0.001)
    return plant


def test_advance_gives_speed_and_costs_current_and_heat() -> None:
    little, much = steady(5.0), steady(20.0)
    assert 1.012 < much.speed_rpm / little.speed_rpm < 1.020
    assert 1.045 < much.current_a / little.current_a < 1.075
    assert much.powers.copper + much.powers.iron > little.powers.copper + little.powers.iron
    more_shaft = much.powers.shaft / little.powers.shaft
    assert much.powers.electrical / little.powers.electrical > more_shaft


def test_marram_at_full_throttle() -> None:
    plant = steady(12.0, 1.0)
    assert 60.0 < plant.current_a < 70.0
    assert 14_000.0 < plant.speed_rpm < 16_000.0


def test_temperatures_rise_and_the_case_goes_on_rising_after_the_stop() -> None:
    plant = plant_for(Settings(ideal=True))
    air = plant.surroundings.air_degc
    plant.driven, plant.throttle = True, 1.0
    for _ in range(10_000):
        plant.step(0.001)
    assert air + 3.0 < plant.case_degc < plant.winding_degc < 70.0
    assert plant.controller_degc > air + 3.0 and plant.pack_degc > air + 0.3
    at_stop_degc = plant.case_degc
    plant.driven = False
    for _ in range(10_000):
        plant.step(0.001)
    assert plant.speed_rpm == 0.0
    assert plant.case_degc > at_stop_degc
    assert plant.current_a == plant.controller.standby_a
