"""The stand's part of totals and ratios, against the sensor's own parts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from uncertainties import ufloat

from rig.analysis.runs import Run
from rig.captures.capture import load
from rig.captures.convert import sampler_of
from rig.gather import gather

SAMPLE = sorted((Path(__file__).parents[2] / "sample_captures").glob("*_early_01.parquet"))[0]
AMPS, VOLTS = ufloat(1.0, 0.01, "amps"), ufloat(1.0, 0.004, "volts")
OFFSET = ufloat(0.0, 0.05, "offset")


def stand(means: Mapping[str, float]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if "current_a" in means:
        found["current_a"] = means["current_a"] * AMPS + OFFSET
    if "voltage_v" in means:
        found["voltage_v"] = means["voltage_v"] * VOLTS
    if {"current_a", "voltage_v"} <= means.keys():
        found["power_w"] = found["current_a"] * found["voltage_v"]
    if "speed_rpm" in means:
        found["speed_rpm"] = means["speed_rpm"]
        found["torque_nm"] = means["torque_nm"]
    return found


def ideal_converter(capture: Path) -> Run:
    """A run whose stand has no other error than those of its components."""
    (run,) = gather([capture])
    meta = load(capture).meta
    exact = {"linearity_counts": 0.0, "reference_drift_pct": 0.0}
    sampler = sampler_of({**meta.stand, "converter": exact}, meta.hello, meta.channels)
    return replace(run, stand=lambda means: sampler.measured(means, single=False))


def test_each_part_by_hand() -> None:
    """A mean of 10 A at 24 V for half an hour; 1 % of amps, 0.05 A of offset, 0.4 % of volts."""
    figures = {
        "current_a": 20.0, "voltage_v": 23.5, "power_w": 470.0, "speed_rpm": 9000.0,
        "torque_nm": 0.35, "rpm_per_v": 383.0, "shaft_w": 330.0, "efficiency": 0.70,
        "supply_ohm": 0.016, "charge_ah": 5.0, "energy_wh": 120.0, "recorded_s": 1800.0,
    }  # fmt: skip
    known = Run("a", "a", "done", figures, stand=stand).measured
    for name in ("charge_ah", "energy_wh", "rpm_per_v", "shaft_w", "efficiency", "supply_ohm"):
        assert getattr(known[name], "nominal_value", known[name]) == pytest.approx(figures[name])
    charge_u = 0.5 * (0.1**2 + 0.05**2) ** 0.5
    assert known["charge_ah"].std_dev == pytest.approx(charge_u)
    relative = ((charge_u / 5.0) ** 2 + 0.004**2) ** 0.5
    assert known["energy_wh"].std_dev == pytest.approx(120.0 * relative)
    assert known["rpm_per_v"].std_dev == pytest.approx(383.0 * 0.004, rel=1e-2)
    # The offset of the amps is in no slope; the two gains are.
    assert known["supply_ohm"].std_dev == pytest.approx(0.016 * (0.01**2 + 0.004**2) ** 0.5)


def test_a_gain_that_two_runs_share_cancels_in_the_ratio_of_their_charges() -> None:
    run = ideal_converter(SAMPLE)
    more = replace(run, figures={**run.figures, "charge_ah": 1.1 * run.figures["charge_ah"]})
    ratio = more.measured["charge_ah"] / run.measured["charge_ah"]
    alone = run.measured["charge_ah"]
    assert ratio.std_dev / ratio.nominal_value < 0.2 * alone.std_dev / alone.nominal_value


def test_every_main_figure_of_a_sample_has_an_uncertainty() -> None:
    (run,) = gather([SAMPLE])
    known = run.measured
    names = ["charge_ah", "energy_wh", "rpm_per_v", "supply_ohm"]
    names += [f"motor_degc_{part}" for part in ("start", "end", "peak", "rise")]
    for name in names:
        assert run.errors[name] > 0.0
        assert known[name].nominal_value == pytest.approx(run.figures[name], rel=1e-6)
        assert known[name].std_dev > 0.0


@pytest.mark.parametrize("value", [0.0, -1.0, 1e-5, 1e9, math.nan])
@pytest.mark.parametrize(
    "name", ["current_a", "voltage_v", "charge_ah", "energy_wh", "motor_degc_peak"]
)
def test_figures_that_make_no_sense_stop_nothing(name: str, value: float) -> None:
    (run,) = gather([SAMPLE])
    assert "speed_rpm" in replace(run, figures={**run.figures, name: value}).measured
