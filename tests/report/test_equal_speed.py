"""What is said of two setups at equal speed: terminal, file, JSON and figure."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from rig import review
from rig.analysis.answers import Comparison
from rig.errors import SettingsError
from rig.report.data import as_data
from rig.report.document import Bullets, Heading, Table
from rig.report.equal_speed import at_equal_speed
from tests.report.stepped import stepped

STEPS = (30.0, 50.0, 70.0, 90.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three runs each; the variant takes the same power at the same speed, and runs 2 % faster."""
    folder = tmp_path_factory.mktemp("stepped")
    for run in range(3):
        for setup, faster in (("early", 1.0), ("late", 1.02)):
            minute = 2 * run + (setup == "late")
            path = folder / f"{minute}.parquet"
            stepped(path, STEPS, setup=setup, minute=minute, faster=faster)
    return folder


def compared(folder: Path, use: str | None = None) -> Comparison:
    question = review.question(None, [], False, None, None, use=use)
    return review.compare([folder], "early", question).variants[0]


def test_one_law_of_power_is_no_change_at_equal_speed(folder: Path) -> None:
    """Its power goes with current and sag, functions of speed alone: zero at every speed."""
    curves = compared(folder).at_equal_speed.curves  # type: ignore[union-attr]
    assert curves is not None
    low, high = curves.range_rpm
    assert 4500.0 < low < high < 13_600.0
    assert np.abs(curves.power_pct.estimate).max() < 0.3
    assert (curves.power_pct.band_low < 0.0).all() and (curves.power_pct.band_high > 0.0).all()
    blocks = list(at_equal_speed(compared(folder)))
    assert isinstance(blocks[0], Heading)
    (table,) = (block for block in blocks if isinstance(block, Table))
    assert len(table.rows) == 5
    lines = [line for block in blocks if isinstance(block, Bullets) for line in block.lines]
    assert any("No difference shown at" in line for line in lines)
    assert any(line.startswith("Over this range: power") for line in lines)


def test_a_use_gives_one_number(folder: Path) -> None:
    found = compared(folder, "30:20,70:70,90:10").at_equal_speed
    assert found is not None and found.curves is not None and found.curves.over_use is not None
    assert abs(found.curves.over_use.power_pct) < 0.5
    for wrong in ("30", "30:0", "30:1,30:2", "x:1"):
        with pytest.raises(SettingsError, match="STEP:SHARE"):
            compared(folder, wrong)
    with pytest.raises(SettingsError, match="no step of 40 %"):
        compared(folder, "40:1")


def test_json_has_the_curves_and_the_page_their_figure(folder: Path, tmp_path: Path) -> None:
    question = review.question(None, [], False, None, None)
    data = as_data(review.compare([folder], "early", question))
    told = json.loads(json.dumps(data, allow_nan=False))["variants"]["late"]["at_equal_speed"]
    assert len(told["speed_rpm"]) == len(told["power_pct"]["estimate"]) == 41
    assert told["over_range"]["ci95_pct"][0] < told["over_range"]["power_pct"]
    page = review.report([folder], "early", tmp_path / "page.html", datetime.now(UTC))
    text = page.read_text()
    assert "At equal speed" in text and "holds at all speeds at once" in text


def test_runs_with_one_step_say_nothing_of_it() -> None:
    folder = Path(__file__).parents[2] / "sample_captures"
    item = compared(folder)
    assert item.at_equal_speed is None
    assert list(at_equal_speed(item)) == []
    assert math.isfinite(item.changes[0].baseline)
