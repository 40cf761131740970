"""A small rise has no percent; what a comparison and its tables say instead."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from uncertainties import ufloat

from rig.analysis.answers import Change
from rig.analysis.comparison import compare
from rig.analysis.figures import figures_of
from rig.analysis.runs import Run
from rig.report.shown import figure_blocks
from rig.report.terminal import print_blocks
from rig.report.variant import change_rows
from tests.analysis.test_comparison import run_frame


def change_of(before: list[float], after: list[float], u: float = 0.0, **more: Any) -> Change:
    made = [
        Run(f"{setup}{i}", setup, "done",
            {"motor_degc_start": 20.0, "motor_degc_peak": 20.0 + rise, "motor_degc_rise": rise,
             "motor_degc": 20.0 + rise},
            {"motor_degc_rise": u}, **more)
        for setup, rises in (("a", before), ("b", after))
        for i, rise in enumerate(rises)
    ]  # fmt: skip
    change = compare(made, "a").variants[0].change("motor_degc_rise")
    assert change is not None
    return change


def test_large_rises_have_a_percentage() -> None:
    change = change_of([30.0, 30.1, 29.9], [33.0, 33.1, 32.9], u=0.1)
    assert change.rise_pct == pytest.approx(10.0, abs=0.05)
    assert change_rows([change])[0][3] == "+3.00 K (+10.0 %)"


def test_small_ones_are_stated_in_kelvin_with_welch_s_interval() -> None:
    before, after = [1.0, 1.3, 0.8], [1.9, 2.3, 2.0]
    change = change_of(before, after)
    assert change.rise_pct is None
    wanted = stats.ttest_ind(after, before, equal_var=False).confidence_interval()
    assert change.ci95 == pytest.approx((wanted.low, wanted.high), rel=1e-6)
    assert change_rows([change])[0][3:] == (
        "+1.03 K", f"{wanted.low:+.2f} to {wanted.high:+.2f}",
    )  # fmt: skip


def test_rises_within_their_uncertainty_are_too_small_to_tell() -> None:
    change = change_of([0.04, 0.05, 0.03], [0.02, 0.03, 0.05], u=0.1)
    assert (change.change, change.rise_pct) == (None, None)
    assert change_rows([change])[0][3:] == ("too small to tell", "-")


def test_what_the_stand_adds_to_a_rise_decides_too() -> None:
    gain = ufloat(1.0, 0.06, "thermistor")

    def stand(means: Mapping[str, float]) -> dict[str, Any]:
        return {"motor_degc": 20.0 + (means["motor_degc"] - 20.0) * gain}

    assert change_of([30.0, 30.0], [33.0, 33.0], stand=stand).rise_pct is None
    change = change_of([30.0, 30.0], [33.0, 33.0])
    assert change.rise_pct == pytest.approx(10.0)


def test_a_rise_that_went_on_is_marked_in_the_table() -> None:
    change = change_of([30.0, 30.1], [33.0, 33.1], still_rising=("motor_degc",))
    assert change_rows([change])[0][0] == "Motor temperature rise, K (still rising)"


def test_show_marks_it_too(capsys: pytest.CaptureFixture[str]) -> None:
    figures = {"steady_from_s": 1.0, "steady_to_s": 4.0, "motor_degc_peak": 40.0,
               "motor_degc_rise": 20.0, "motor_degc_expected_peak": 55.0, "pack_degc_peak": 25.0,
               "bridged_pct": 2.5}  # fmt: skip
    print_blocks(figure_blocks(figures, {"motor_degc_expected_peak": 0.5}, ("motor_degc",)))
    lines = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert "Motor temperature peak, °C (still rising) 40.0" in lines
    assert "Motor temperature rise, K (still rising) 20.00" in lines
    assert "Motor temperature peak expected, °C 55.0 +- 1.0" in lines
    assert "Pack temperature peak, °C 25.0" in lines
    assert "Time bridged in charge and energy, % 2.5" in lines


def test_a_ratio_has_no_part_of_what_both_sides_share() -> None:
    """Volts that wander by 1 % and a speed that follows them: their ratio is known far better
    than from the two errors as if they were independent."""
    frame = run_frame(seconds=20.0)
    wander = 1.0 + 0.01 * np.sin(frame["time_s"] * 2.0)
    noise = np.random.default_rng(1).normal(size=len(frame))
    frame["voltage_v"] = 24.0 * wander
    frame["speed_rpm"] = np.minimum(frame["time_s"], 1.0) * 10_000.0 * wander + noise
    frame["power_w"] = frame["current_a"] * frame["voltage_v"]
    frame["torque_nm"] = 0.4 * frame["power_w"] / frame["speed_rpm"].clip(lower=1.0)
    figures = figures_of(frame)
    separate = np.hypot(
        figures.errors["speed_rpm"] / figures.means["speed_rpm"],
        figures.errors["voltage_v"] / figures.means["voltage_v"],
    )
    assert figures.errors["rpm_per_v"] / figures.means["rpm_per_v"] < 0.05 * separate
    assert figures.errors["efficiency"] < 1e-4


def test_the_error_of_a_ratio_is_what_scatters() -> None:
    """Against the scatter of 300 runs of independent noise."""
    rng = np.random.default_rng(2)
    ratios, errors = [], []
    for _ in range(300):
        frame = pd.DataFrame(
            {"time_s": np.arange(0.0, 3.0, 0.02), "phase": "running", "valid": True}
        )
        frame["speed_rpm"] = rng.normal(9000.0, 30.0, len(frame))
        frame["voltage_v"] = rng.normal(24.0, 0.1, len(frame))
        found = figures_of(frame)
        if found.window is not None:
            ratios.append(found.means["rpm_per_v"])
            errors.append(found.errors["rpm_per_v"])
    assert len(ratios) > 200
    assert np.mean(errors) == pytest.approx(np.std(ratios), rel=0.2)


def lacking() -> list[Run]:
    made = [
        Run(f"{setup}{i}", setup, "done", {"current_a": amps + 0.1 * i, "speed_rpm": 9e3 + i})
        for setup, amps in (("a", 30.0), ("b", 31.0))
        for i in range(3)
    ]
    made[4] = Run("b1", "b", "done", {"speed_rpm": 9001.0})
    return made


def test_a_run_that_lacks_a_channel_is_named() -> None:
    assert "Current is compared without b1" in compare(lacking(), "a").warnings


def test_a_run_that_lacks_a_channel_does_not_lose_it_for_all() -> None:
    change = compare(lacking(), "a").variants[0].change("current_a")
    assert change is not None
    assert change.runs == (3, 2)
