"""Thinned runs lose no peak, whatever the groups of the file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.analysis.steady import last_hold_from_s
from rig.captures.capture import load
from rig.report.traces import trace
from tests.report.captures import SAMPLES, steps


def test_times_are_from_the_last_throttle_hold(tmp_path: Path) -> None:
    found = trace(steps(tmp_path / "steps.parquet", 1000), ["speed_rpm"], 50)
    assert found.hold_at_s == pytest.approx(5.0)
    assert found.driven_s == pytest.approx((-3.0, 2.99))
    assert found.hold_at_s == last_hold_from_s(load(tmp_path / "steps.parquet").frame)


def test_gaps_and_invalid_lines_stay_gaps(tmp_path: Path) -> None:
    found = trace(steps(tmp_path / "steps.parquet", 1000), ["speed_rpm", "not_there_a"], 100)
    assert list(found.low) == ["speed_rpm"]
    gap = (found.time_s > 1.0) & (found.time_s < 2.0)
    assert np.isnan(found.high["speed_rpm"][gap]).all()
    assert np.nanmax(found.high["speed_rpm"]) == 999.0
    assert 589.0 in found.high["speed_rpm"]
    assert not {590.0, 599.0} & set(found.high["speed_rpm"])


@pytest.mark.parametrize("group", [1, 7, 450])
def test_groups_do_not_matter(tmp_path: Path, group: int) -> None:
    whole = trace(steps(tmp_path / "whole.parquet", 1000), ["speed_rpm"], 60)
    parts = trace(steps(tmp_path / "parts.parquet", group), ["speed_rpm"], 60)
    assert (parts.hold_at_s, parts.driven_s) == (whole.hold_at_s, whole.driven_s)
    np.testing.assert_array_equal(parts.low["speed_rpm"], whole.low["speed_rpm"])
    np.testing.assert_array_equal(parts.high["speed_rpm"], whole.high["speed_rpm"])


def test_the_highest_reading_of_a_real_run_is_there() -> None:
    path = min(SAMPLES.glob("*.parquet"))
    frame = load(path).frame
    found = trace(path, ["current_a"], 100)
    readings = frame.loc[frame["valid"], "current_a"]
    assert np.nanmax(found.high["current_a"]) == readings.max()
    assert np.nanmin(found.low["current_a"]) == readings.min()
