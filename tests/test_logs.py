"""`--verbose`: a log at the error output and, of a run, beside its journal; nothing without it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.simulator.process import SimulatedBoard

STAND = str(Path(__file__).parents[1] / "rig" / "stand" / "marram.toml")


def run(folder: Path, *options: str) -> str:
    with SimulatedBoard(["--seed=3"]) as board:
        done = subprocess.run(
            [sys.executable, "-m", "rig", *options, "run", "--headless", "--setup", "a",
             "--throttle", "30:0.3", "--soak", "0", "--stand", STAND,
             "--port", board.url, "--out", str(folder)],
            capture_output=True, text=True, check=False, env=os.environ | {"RIG_VERBOSE": ""},
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stderr


@pytest.mark.parametrize("wanted", [True, pytest.param(False, marks=pytest.mark.long)])
def test_a_log_is_written_where_it_is_asked_for(tmp_path: Path, wanted: bool) -> None:
    errors = run(tmp_path, *(["--verbose"] if wanted else []))
    logs = list(tmp_path.glob("*.log"))
    assert ("rig.recorder.handle: recorder is process" in errors) == wanted
    assert len(logs) == wanted
    if wanted:
        words = logs[0].read_text()
        assert "at 115200 baud" in words
        assert "ended: done, exit code 0" in words
