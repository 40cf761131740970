"""A small version of `python -m tests.coverage_curves`, which makes the promises."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.analysis import answers, comparison
from rig.analysis.curves import Caution, CurveQuestion, compare_curves
from rig.simulator.parts import BenchSupply, Controller, Heat, Motor, Rotor, Surroundings
from rig.simulator.plant import Plant
from tests.algebraic import Drive
from tests.coverage_curves import ROWS, Row, experiments_of, promises, run

NAMED = ("runs 10+10", "3 steps", "speed +5 %")
STEPS = (30.0, 50.0, 70.0, 90.0)
AIR = {"a": 1.2, "b": 1.2}


@pytest.mark.parametrize("row", [row for row in ROWS if row.name in NAMED], ids=lambda r: r.name)
def test_what_the_table_promises(row: Row) -> None:
    assert promises(row, run(row, 40), 40) == []


def test_the_algebraic_drive_is_the_simulators() -> None:
    plant = Plant(
        Motor(), Rotor(), Controller(ramp_s=0.05), BenchSupply(24.0).at(), Heat(), Surroundings()
    )
    plant.driven = True
    wanted = []
    for percent in STEPS:
        plant.throttle = percent / 100.0
        rows = []
        for tick in range(800):
            plant.step(0.005)
            if tick >= 400:
                power_w = plant.voltage_v * plant.current_a
                rows.append((plant.speed_rpm, power_w, plant.current_a, plant.winding_degc))
        wanted.append(np.mean(rows, axis=0))
    found = Drive(Motor()).steps(STEPS, 4.0, 22.0, 24.0, 1.0)
    speed, power, current, winding = np.array(wanted).T
    assert found["speed_rpm"] == pytest.approx(speed, rel=2e-4)
    assert found["power_w"] == pytest.approx(power, rel=5e-4)
    assert found["current_a"] == pytest.approx(current, rel=5e-4)
    assert found["winding_degc"] == pytest.approx(winding, abs=0.5)
    again = Drive(Motor()).power_at(found["speed_rpm"], found["winding_degc"], 24.0)
    assert again == pytest.approx(found["power_w"], rel=1e-6)


def test_one_step_and_the_curve_agree_at_one_percent() -> None:
    row = Row("speed +1 %", faster=0.01)
    for runs in experiments_of(row, np.random.default_rng(7), 5):
        curves = compare_curves(runs, "a", "b", CurveQuestion(AIR)).curves
        question = answers.Question(density_kg_m3=AIR, exponent_u=0.12)
        alone = comparison.compare([one.run for one in runs], "a", question).variants[0].efficiency
        assert curves is not None and curves.efficiency_pct is not None and alone.ci95 is not None
        top = curves.efficiency_pct
        assert top.point_low[-1] < alone.ci95[1] and alone.ci95[0] < top.point_high[-1]


def test_the_steps_that_are_offered_reach_the_baselines_speeds() -> None:
    row = Row("speed +5 %", faster=0.05)
    (runs,) = experiments_of(row, np.random.default_rng(3), 1)
    result = compare_curves(runs, "a", "b", CurveQuestion(AIR))
    assert Caution.OWN_WARMTH in {said.kind for said in result.cautions}
    drives = (Drive(Motor()), Drive(replace(Motor(), kv_rpm_per_v=712.0 * (1.0 + 1.22 * 0.05))))
    before, after = (
        drive.steps(steps, 4.0, 22.0, 24.0, 1.0)["speed_rpm"]
        for drive, steps in zip(drives, (STEPS, result.offered_throttle_pct), strict=True)
    )
    assert np.abs(np.log(after / before)).max() < 0.01
    (matched,) = experiments_of(replace(row, matched=True), np.random.default_rng(3), 1)
    cautions = compare_curves(matched, "a", "b", CurveQuestion(AIR)).cautions
    assert Caution.OWN_WARMTH not in {said.kind for said in cautions}
    assert all(math.isfinite(step) for step in result.offered_throttle_pct)
