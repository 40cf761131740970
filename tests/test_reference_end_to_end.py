"""A board whose supply falls from 5 V to 4.6 V, with its reference channel and without."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from rig import review, virtual
from rig.analysis.answers import Comparison
from rig.captures.convert import recalibrate
from rig.plans import plan_run
from rig.report.data import as_data
from rig.simulator.board import demo_board
from rig.stand.model import Reference, Stand
from rig.stand.settings import demo_stand

LOW = "reference-low=4.6"


def run(folder: Path, setup: str, stand: Stand, faults: Sequence[str] = (), seed: int = 1) -> Path:
    # Half empty: what reads 8.7 % high must still pass for a pack at rest.
    board = demo_board(
        seed=seed, faults=faults, reference=True, ideal=True, line_hz=100, volts=22.8
    )
    plan = plan_run(
        stand, "simulated", folder=folder, setup=setup, seconds=None, throttle=("60:3",), soak_s=0.2
    )
    out = io.StringIO()
    made = virtual.run(plan, board, out=out)
    assert made.capture is not None, out.getvalue()
    assert ("below that at calibration" in out.getvalue()) == bool(faults and stand.reference)
    return made.capture


def figures(capture: Path) -> tuple[dict[str, float], dict[str, float]]:
    shown = review.show(capture)
    return shown.figures, shown.uncertainty


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """By setup: the stand has no table; two runs at 5 V and two at 4.6 V."""
    folder = tmp_path_factory.mktemp("captures")
    made = {}
    for seed, setup in enumerate(("early", "late", "early", "late")):
        faults = [LOW] if setup == "late" else []
        made[setup] = run(folder, setup, demo_stand(), faults, seed)
    return made


@pytest.fixture(scope="module")
def calibrated(captures: dict[str, Path]) -> Stand:
    count = figures(captures["early"])[0]["reference_count"]
    # 1.1 V of 5 V, 1024 counts.
    assert count == pytest.approx(1.1 / 5.0 * 1024, abs=0.05)
    return replace(demo_stand(), reference=Reference("supply", count))


def compared(paths: Sequence[Path]) -> Comparison:
    (found,) = review.compare(paths, "early").variants
    return found


def test_without_the_table_a_falling_supply_is_a_false_gain_and_is_named_as_one(
    captures: dict[str, Path],
) -> None:
    (early, _), (late, _) = figures(captures["early"]), figures(captures["late"])
    for column in ("current_a", "voltage_v"):
        # 5 V / 4.6 V: 8.7 % high.
        assert late[column] / early[column] == pytest.approx(5.0 / 4.6, rel=4e-3)
    found = compared([captures["early"].parent])
    (said,) = [c for c in found.conditions if c.name == "reference"]
    assert "moved by -8.3" in said.text and "voltage and +16." in said.text
    assert (
        said.text
        in as_data(review.compare([captures["early"].parent], "early"))["variants"]["late"][
            "warnings"
        ]
    )
    # The intervals hold what was not there: no change of voltage at all.
    voltage = found.change("voltage_v")
    assert voltage is not None and voltage.ci95 is not None and voltage.change is not None
    assert voltage.change > 8.0 and voltage.ci95[0] < 0.0
    assert found.verdict.word != "worth it"


def test_with_it_current_and_voltage_are_right_within_their_uncertainty(
    captures: dict[str, Path],
    calibrated: Stand,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    truth, _ = figures(captures["early"])
    folder = tmp_path / "with"
    live = run(folder, "late", calibrated, [LOW], seed=3)
    again = recalibrate(captures["late"], calibrated, tmp_path / "again.parquet")
    for path in (live, again):
        low, u = figures(path)
        for column in ("current_a", "voltage_v"):
            assert abs(low[column] - truth[column]) < 2.0 * u[column]
            assert low[column] == pytest.approx(truth[column], rel=4e-3)
    # A run that nobody watched, or that was computed anew, says it too.
    review.show(again).print()
    assert "8.0 % below that at calibration" in capsys.readouterr().out
    others = [run(folder, "early", calibrated, seed=seed) for seed in (5, 6)]
    found = compared([live, run(folder, "late", calibrated, [LOW], seed=4), *others])
    (said,) = [c for c in found.conditions if c.name == "reference"]
    assert said.text.endswith("current and voltage are corrected for it")
    voltage = found.change("voltage_v")
    assert voltage is not None and voltage.ci95 is not None
    assert voltage.ci95[0] < 0.0 < voltage.ci95[1]
