"""Captures of one stand whose settings were changed between them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rig.captures.capture import read_meta
from rig.captures.convert import recalibrate
from rig.gather import gather
from rig.stand.model import PositiveParameter, Shunt, Stand
from rig.stand.settings import stand_from_dict

SAMPLE = next((Path(__file__).parents[1] / "sample_captures").glob("*_early_01.parquet"))


@pytest.fixture
def sampled() -> Stand:
    return stand_from_dict(read_meta(SAMPLE).stand)


def test_other_limits_are_no_other_calibration(sampled: Stand, tmp_path: Path) -> None:
    levels = dict(sampled.limits.levels)
    levels["motor"] = replace(levels["motor"], warn_over=84.0)
    other = replace(
        sampled, port="COM9", limits=replace(sampled.limits, levels=tuple(levels.items()))
    )
    first, second = gather([SAMPLE, recalibrate(SAMPLE, other, tmp_path / "b.parquet")])
    assert first.stand is second.stand
    assert first.limits is not None and second.limits is not None
    assert second.limits.level("motor") == levels["motor"]
    assert first.limits.level("motor") != levels["motor"]
    assert first.cells == 6


def test_another_shunt_leaves_all_but_the_current_as_it_was(sampled: Stand, tmp_path: Path) -> None:
    current, *rest = sampled.channels
    assert isinstance(current.sensor, Shunt)
    shunt = replace(current.sensor, shunt_ohm=PositiveParameter(0.00076, 4e-7))
    other = replace(sampled, channels=(replace(current, sensor=shunt), *rest))
    first, second = gather([SAMPLE, recalibrate(SAMPLE, other, tmp_path / "b.parquet")])
    assert first.stand is not second.stand
    before, after = first.measured, second.measured
    speed = after["speed_rpm"] / before["speed_rpm"]
    assert speed.std_dev < 1e-9
    amps = after["current_a"] / before["current_a"]
    # The shunts' own 0.14 and 0.05 %, and a little for the converter and its reference.
    assert 0.0015 < amps.std_dev / amps.nominal_value < 0.0021
