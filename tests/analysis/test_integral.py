"""Charge and energy over gaps, against the whole record."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rig.analysis.figures import figures_of
from rig.analysis.integral import integral
from tests.analysis.test_comparison import run_frame


def test_a_straight_line_is_bridged_exactly() -> None:
    time_s = np.arange(0.0, 10.0, 0.01)
    values, valid = 2.0 + 3.0 * time_s, np.ones(1000, dtype=bool)
    valid[300:500] = False
    values = np.where(valid, values, 900.0)
    found = integral(time_s, values, valid)
    assert found.value == pytest.approx(np.trapezoid(2.0 + 3.0 * time_s, time_s), rel=1e-12)
    assert found.bridged == pytest.approx(2.01 / 9.99)


def test_rows_that_are_missing_count_like_rows_that_are_invalid() -> None:
    rng = np.random.default_rng(1)
    time_s, values = np.arange(0.0, 10.0, 0.01), rng.normal(20.0, 1.0, 1000)
    valid = np.ones(1000, dtype=bool)
    valid[rng.choice(np.arange(1, 999), 60, replace=False)] = False
    assert integral(time_s, values, valid) == pytest.approx(
        integral(time_s[valid], values[valid], valid[valid])
    )


def test_without_gaps_nothing_is_bridged_and_it_is_the_trapezoidal_rule() -> None:
    time_s = np.cumsum(np.random.default_rng(2).uniform(0.009, 0.011, 500))
    values = np.sin(time_s)
    found = integral(time_s, values, np.ones(500, dtype=bool))
    assert found.value == pytest.approx(np.trapezoid(values, time_s), rel=1e-12)
    assert found.bridged == 0.0


def test_invalid_rows_at_the_ends_take_the_nearest_reading() -> None:
    time_s, valid = np.arange(0.0, 1.0, 0.1), np.ones(10, dtype=bool)
    valid[:2] = valid[-1:] = False
    found = integral(time_s, np.where(valid, 5.0, 0.0), valid)
    assert found.value == pytest.approx(5.0 * 0.9)
    assert found.bridged == pytest.approx(0.3 / 0.9)


@pytest.mark.parametrize("most_s", [0.03, 0.3, 1.5])
@pytest.mark.parametrize("noise", [0.02, 1.0])
def test_the_uncertainty_of_the_bridges_holds_the_truth(most_s: float, noise: float) -> None:
    """Gaps of up to `most_s` anywhere, also across a step; the truth is the current without
    noise, integrated over every line."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 12.0, 0.01)
    held = []
    for _ in range(300):
        true_a = np.where(time_s < 2.0, 0.3, 30.0 * (1.0 - np.exp(-(time_s - 2.0) / 0.3)))
        true_a = np.where(time_s > 9.0, 0.3, true_a + 2.0 * np.sin(time_s))
        valid = np.ones(len(time_s), dtype=bool)
        for start_s in rng.uniform(0.0, 11.0, 4):
            length_s = rng.uniform(0.01, most_s)
            valid &= (time_s < start_s) | (time_s > start_s + length_s)
        readings = true_a + noise * rng.normal(size=len(time_s))
        found = integral(time_s, readings, valid)
        held.append(abs(found.value - np.trapezoid(true_a, time_s)) <= 1.96 * found.u)
    assert np.mean(held) >= 0.93


def test_a_run_says_how_much_of_its_charge_was_bridged() -> None:
    frame = run_frame()
    whole = figures_of(frame)
    clipped = frame.copy()
    clipped.loc[300:389, "current_a"] = 900.0
    clipped.loc[300:389, "valid"] = False
    found = figures_of(clipped)
    assert whole.means["bridged_pct"] == pytest.approx(100 * 0.02 / 5.99)
    assert found.means["bridged_pct"] == pytest.approx(100 * 0.93 / 5.99)
    for name in ("charge_ah", "energy_wh"):
        truth = whole.means[name]
        assert abs(found.means[name] - truth) <= 2.0 * found.errors[name]
        assert found.errors[name] < 0.02 * truth


def test_lost_lines_do_not_lose_charge() -> None:
    frame = run_frame(seconds=10.0)
    whole = figures_of(frame).means["charge_ah"]
    holes = pd.concat([frame.iloc[:550], frame.iloc[700:]], ignore_index=True)
    found = figures_of(holes)
    assert abs(found.means["charge_ah"] - whole) <= 2.0 * found.errors["charge_ah"]
    assert found.means["bridged_pct"] == pytest.approx(100 * (1.51 + 0.02) / 9.99)
