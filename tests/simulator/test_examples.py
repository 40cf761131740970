"""The examples: each runs to its end, and its figures are what was so, within what they claim."""

from __future__ import annotations

import io
import statistics
from pathlib import Path

import pytest

from rig import bench, review, virtual
from rig.cli import main
from rig.errors import SettingsError
from rig.plans import plan_run
from rig.simulator.board import Board
from rig.simulator.day import plant_for, supply_warning
from rig.simulator.examples import EXAMPLES, FILES, write_examples
from rig.simulator.settings import Settings
from rig.simulator.truth import Truth
from tests.wiring.stands import stand_and_drive

TRUTHS = {
    "current_a", "voltage_v", "speed_rpm", "motor_degc", "controller_degc", "pack_degc",
    "torque_nm", "thrust_n",
}  # fmt: skip


@pytest.mark.parametrize("name", EXAMPLES)
def test_figures_agree_with_truth(name: str, tmp_path: Path) -> None:
    """Coverage factor 3, about 99.7 % (JCGM 100:2008, G.6.4)."""
    stand, drive = stand_and_drive(name)
    settings = Settings(stand=stand, drive=drive, seed=5, stand_seed=5)
    assert not supply_warning(settings)
    board, truths = Board(plant_for(settings), settings), list[Truth]()
    board.on_line = truths.append
    plan = plan_run(
        stand, "simulated", folder=tmp_path, setup=name, seconds=None, throttle=("80:4",),
        soak_s=0.5,
    )  # fmt: skip
    out = io.StringIO()
    outcome = virtual.run(plan, board, out=out)
    assert (outcome.outcome, outcome.exit_code) == ("done", 0)
    assert "warning" not in out.getvalue()
    assert outcome.capture is not None
    shown = review.show(outcome.capture)
    window_s = shown.figures["steady_from_s"], shown.figures["steady_to_s"]
    began_s = next(truth.time_s for truth in truths if truth.driven)
    window = [
        truth for truth in truths if began_s + window_s[0] <= truth.time_s <= began_s + window_s[1]
    ]
    assert len(window) > 100
    compared = TRUTHS & shown.figures.keys()
    assert {"current_a", "voltage_v", "speed_rpm", "motor_degc"} <= compared
    for column in compared:
        true = statistics.fmean(getattr(truth, column) for truth in window)
        assert abs(shown.figures[column] - true) < 3.0 * shown.uncertainty[column], column


def test_the_command_serves_files_of_one_s_own(tmp_path: Path) -> None:
    write_examples(tmp_path)
    folder = tmp_path / "geared_car"
    request = bench.Request(
        setup="car", simulated=True, fast=True, throttle=("60:1",), soak_s=0.0, folder=tmp_path,
        stand=folder / "stand.toml", motor=folder / "motor.toml",
    )  # fmt: skip
    outcome = bench.run_once(request, out=io.StringIO())
    assert outcome.outcome == "done" and outcome.capture is not None
    assert "car-sim" in review.show(outcome.capture).capture.meta.hello


def test_without_its_motor_a_stand_says_what_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_examples(tmp_path)
    stand = tmp_path / "geared_car" / "stand.toml"
    assert main(["run", "--simulated", "--fast", f"--stand={stand}", "--setup=a", "--seconds=1",
                 f"--out={tmp_path}"]) == 2  # fmt: skip
    assert 'mosfet = "motor"' in capsys.readouterr().err
    assert main(["run", f"--motor={stand}", "--port=none", "--setup=a", "--seconds=1"]) == 2
    assert "--simulated" in capsys.readouterr().err


def test_examples_are_written_once(tmp_path: Path) -> None:
    written = write_examples(tmp_path)
    assert len(written) == len(EXAMPLES) * len(FILES)
    with pytest.raises(SettingsError, match="already"):
        write_examples(tmp_path)
