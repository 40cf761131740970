"""A motor's file: every mistake at once, and physics that closed formulas know."""

from __future__ import annotations

import dataclasses
import io
import math
import random
from pathlib import Path
from typing import Any, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig import bench
from rig.errors import SettingsError
from rig.simulator.__main__ import main, parser, settings_of
from rig.simulator.board import Board
from rig.simulator.day import plant_for, supply_warning
from rig.simulator.drive import Drive
from rig.simulator.motor_file import DriveReader, load_drive, parse_drive
from rig.simulator.parts import RPM, BenchSupply, Controller, Gear, Heat, Motor, Pack, Rotor
from rig.simulator.plant import Plant
from rig.simulator.settings import Settings
from rig.stand.mistakes import StandError
from tests.simulator.host import Host
from tests.simulator.test_plant import ALWAYS_COOL

SMALL = """
[motor]
kv_rpm_per_v = 1000.0
winding_ohm = 0.1
no_load_a = 1.0
[rotor]
inertia_kgm2 = 2e-5
reference_w = 100.0
reference_rpm = 10000.0
[supply]
volts = 12.0
internal_ohm = 0.0
"""


def test_what_a_file_says_is_what_turns() -> None:
    drive = parse_drive(
        SMALL + '[gear]\nratio = 4\ntachometer = "rotor"\n[temperatures]\nbearing = "winding"\n'
        '[board]\nname = "mine"\nfull_scale = 4096\n[board.inputs.torque]\nbipolar = true\n',
        "motor.toml",
    )
    assert drive.motor == Motor(1000.0, 0.1, 1.0, 0.0, 0.0, 0.0, 0.0)
    assert drive.supply == BenchSupply(12.0, 0.0)
    assert (drive.gear.ratio, drive.gear.tachometer_ratio) == (4.0, 4.0)
    assert drive.quantity("bearing") == "winding_degc"
    assert drive.quantity("gearbox") is None
    (_, torque), *_ = drive.board.own
    assert (torque.full_scale, torque.bipolar, drive.board.common.bipolar) == (4096, True, False)


def test_all_mistakes_are_named_at_once_with_what_may_have_been_meant() -> None:
    text = SMALL.replace("no_load_a", "noload_a").replace("2e-5", "-1").replace("volts", "cells")
    with pytest.raises(StandError) as caught:
        parse_drive(
            text + 'moter = 1\n[heat]\ncase_j_k = "much"\n[gear]\ntachometer = "wheel"\n'
            '[temperatures]\nesc = "nowhere"\n[board]\nname = "a,b"\nconversions = 0\n',
            "motor.toml",
        )
    words = str(caught.value)
    for part in (
        "motor.no_load_a: found nothing at all", "no_load_a (did you mean that?)",
        "rotor.inertia_kgm2", "supply.internal_ohm", "supply.moter", "heat.case_j_k",
        "gear.tachometer", "temperatures.esc", "board.name", "board.conversions",
    ):  # fmt: skip
        assert part in words


@pytest.mark.parametrize(
    "text", ["", "[", "motor = 1", "[supply]\ncells = 3\nvolts = 4", "supply = []"]
)
def test_what_is_no_motor_is_refused(text: str) -> None:
    with pytest.raises(SettingsError):
        parse_drive(text, "motor.toml")


WORD = st.sampled_from(
    ["motor", "rotor", "gear", "supply", "heat", "temperatures", "board", "inputs", "current",
     "cells", "volts", "name", "ratio", "kv_rpm_per_v", "full_scale", "\x1b[2J"]
)  # fmt: skip
TABLE: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=4) | st.integers(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORD, inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=40)
@given(raw=st.dictionaries(WORD, TABLE, max_size=5))
def test_no_table_ends_in_a_traceback(raw: dict[str, Any]) -> None:
    try:
        drive = DriveReader("motor.toml").drive(raw)
    except SettingsError as error:
        assert "\x1b" not in str(error)
    else:
        assert isinstance(drive, Drive)


EXTREMES = [
    (part, item.name, bound)
    for part in (Motor, Rotor, Gear, Controller, Pack, BenchSupply, Heat)
    for item in dataclasses.fields(part)
    for metadata in getattr(
        get_type_hints(part, include_extras=True)[item.name], "__metadata__", ()
    )
    for bound in (getattr(metadata, "ge", None), getattr(metadata, "le", None))
    if bound is not None
]


def extremes(seed: int) -> Settings:
    """Every key at one end of what is allowed or the other."""
    chance = random.Random(seed)
    parts = {
        kind: kind(**{
            name: chance.choice(bounds)
            for name in sorted({name for part, name, _ in EXTREMES if part is kind})
            if (bounds := [b for part, n, b in EXTREMES if part is kind and n == name])
        })
        for kind in (Motor, Rotor, Gear, Controller, Pack, BenchSupply, Heat)
    }  # fmt: skip
    drive = Drive(
        parts[Motor], parts[Rotor], parts[Gear], parts[Controller],
        chance.choice([parts[Pack], parts[BenchSupply]]), parts[Heat],
    )  # fmt: skip
    return Settings(drive=drive, seed=seed)


@pytest.mark.parametrize("seed", [s for s in range(12) if s != 9])  # that one takes 4 s
def test_a_motor_of_extremes_turns_or_not_but_never_breaks_the_board(seed: int) -> None:
    settings = extremes(seed)
    host = Host(Board(plant_for(settings), settings))
    host.run(1000, 0.1)
    assert all(0 <= count <= 1023 * 16 for data in host.data for count in data.counts)


def test_what_cannot_be_computed_is_one_message() -> None:
    settings = extremes(0)
    plant = plant_for(settings)
    plant.speed_rad_s = math.nan
    with pytest.raises(SettingsError, match="no speed that can be computed"):
        Host(Board(plant, settings))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no such file") as caught:
        load_drive(tmp_path / "motor.toml")
    assert "--motor" in caught.value.to_do


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("--motor", "[motor]\nkv = 900", "motor.winding_ohm"),
        ("--stand", "[channels.current]", "channels.current.sensor"),
        ("--motor", SMALL + "[board.inputs.torqe]\n", "torqe: the stand has no such channel"),
    ],
)
def test_the_command_names_mistakes_in_either_file(
    name: str, text: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "file.toml"
    path.write_text(text)
    assert main([f"{name}={path}"]) == 2
    assert words in capsys.readouterr().err


def test_a_run_says_at_once_that_the_supply_clips(tmp_path: Path) -> None:
    path, out = tmp_path / "motor.toml", io.StringIO()
    path.write_text(SMALL.replace("12.0", "40.0"))
    request = bench.Request(
        setup="a", simulated=True, fast=True, seconds=1.0, folder=tmp_path, motor=path
    )
    outcome = bench.run_once(request, out=out)
    assert "the supply clips: 'pack' reads up to 33.0 V" in out.getvalue()
    assert outcome.outcome == "not armed"


def test_a_supply_beyond_the_scale_is_said() -> None:
    """Marram's divider of 56 and 10 kohm reads 6.6 times its 5 V; ten full cells have 42 V."""
    said = supply_warning(settings_of(parser().parse_args(["--cells=10"])))
    assert "33.0 V" in said and "42.0 V" in said
    assert supply_warning(settings_of(parser().parse_args(["--bench-supply", "--volts=34"])))
    assert not supply_warning(Settings()) and not supply_warning(Settings(cells=7))


# The first-order motor: n = Kv (V - I R), torque = Kt (I - I0), Kt = 60 / (2 pi Kv); M. Drela,
# "First-Order DC Electric Motor Model", MIT 2007. Loads of exponent 1 and 2 make it linear in
# speed, so that both the steady state and the way there have closed forms.

VOLTS, OHM, NO_LOAD_A, KV = 12.0, 0.1, 1.0, 1000.0
KT = 60.0 / (2.0 * math.pi * KV)


def turning(rotor: Rotor, seconds: float, gear: Gear | None = None) -> Plant:
    """From rest, at full throttle at once."""
    plant = Plant(
        Motor(KV, OHM, NO_LOAD_A, no_load_a_per_krpm=0.0, timing_deg=0.0),
        (gear or Gear()).seen_from_motor(rotor),
        Controller(on_ohm=0.0, ramp_s=1e-9, standby_a=0.0),
        BenchSupply(VOLTS, 0.0).at(),
        ALWAYS_COOL,
    )
    plant.winding_degc = 20.0
    plant.driven, plant.throttle = True, 1.0
    for _ in range(round(seconds / 0.0005)):
        plant.step(0.0005)
    return plant


def test_a_constant_torque() -> None:
    rotor = Rotor(2e-5, 50.0, 10_000.0, exponent=1.0)
    torque_nm = 50.0 / (10_000.0 * RPM)
    amps = NO_LOAD_A + torque_nm / KT
    plant = turning(rotor, 3.0)
    assert plant.current_a == pytest.approx(amps, rel=1e-6)
    assert plant.speed_rpm == pytest.approx(KV * (VOLTS - amps * OHM), rel=1e-6)
    assert plant.torque_nm == pytest.approx(torque_nm, rel=1e-6)


@pytest.mark.parametrize("seconds", [0.02, 0.05, 0.1, 3.0])
def test_a_torque_that_goes_with_speed_is_reached_by_one_time_constant(seconds: float) -> None:
    """J dw/dt = Kt (V/R - I0) - (Kt^2/R + k) w: w = w0 (1 - exp(-t / tau)), with
    tau = J / (Kt^2/R + k) (any textbook's first-order lag)."""
    rotor = Rotor(2e-5, 50.0, 10_000.0, exponent=2.0)
    k = 50.0 / (10_000.0 * RPM) ** 2
    damping = KT * KT / OHM + k
    final = KT * (VOLTS / OHM - NO_LOAD_A) / damping
    now = final * -math.expm1(-seconds * damping / 2e-5)
    assert turning(rotor, seconds).speed_rad_s == pytest.approx(now, rel=2e-3)


def test_a_gear_divides_inertia_by_its_square_and_costs_its_losses() -> None:
    """The rotor behind 4 : 1 turns a quarter as fast, and its J counts J / 16 (rigid gear)."""
    gear = Gear(4.0, 0.8)
    wheel = Rotor(16 * 2e-5, 40.0, 2500.0, exponent=2.0)
    straight = Rotor(2e-5, 50.0, 10_000.0, exponent=2.0)
    for seconds in (0.03, 2.0):
        one, other = turning(wheel, seconds, gear), turning(straight, seconds)
        assert one.speed_rad_s == pytest.approx(other.speed_rad_s, rel=1e-9)


def test_thrust_goes_with_the_square_of_speed() -> None:
    """Affinity laws; the reference is met at its own speed and density."""
    rotor = Rotor(reference_rpm=10_000.0, reference_n=8.0)
    assert rotor.thrust_factor(1.2) * (10_000.0 * RPM) ** 2 == pytest.approx(8.0)
    assert rotor.thrust_factor(0.6) * (20_000.0 * RPM) ** 2 == pytest.approx(16.0)


def test_a_pack_of_one_s_own() -> None:
    drive = Drive(supply=Pack(10, 0.002, 4.0))
    plant = plant_for(Settings(drive=drive, ideal=True))
    assert plant.supply.full_v == pytest.approx(42.0)
    assert plant.supply.internal_ohm == pytest.approx(0.02)
    other = plant_for(Settings(drive=drive, ideal=True, cells=3))
    assert other.supply.internal_ohm == pytest.approx(0.006)


@settings(max_examples=25)
@given(
    exponent=st.floats(1.0, 4.0), watts=st.floats(0.0, 3000.0), throttle=st.floats(0.05, 1.0),
    dt_s=st.sampled_from([1e-3, 5e-3]),
)  # fmt: skip
def test_energy_is_kept_whatever_the_load(
    exponent: float, watts: float, throttle: float, dt_s: float
) -> None:
    plant = Plant(rotor=Rotor(1e-4, watts, 15_000.0, exponent=exponent))
    plant.driven, plant.throttle = True, throttle
    for _ in range(100):
        plant.step(dt_s)
        powers = plant.powers
        if plant.speed_rad_s > 0.0:
            spent_w = powers.copper + powers.iron + powers.controller + powers.shaft + powers.aside
            assert powers.electrical == pytest.approx(spent_w + powers.stored, rel=1e-6, abs=1e-3)
