"""Tables on a terminal and in a pipe: nothing that came from a file steers either."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.report import terminal

SAMPLES = Path(__file__).parents[2] / "sample_captures"
STEERING = "\x1b]0;owned\x07\x1b[31m[bold]red[/bold][/nothing]\u202e"


def test_heads_cells_and_titles_can_steer_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    terminal.print_table([STEERING, f"{STEERING} "], [[STEERING, "1"]], title=STEERING)
    out = capsys.readouterr().out
    assert not set(out) & {"\x1b", "\x07", "\u202e"}
    assert "[bold]" in out


def test_a_bar_with_a_hostile_title_is_drawn(capsys: pytest.CaptureFixture[str]) -> None:
    with terminal.progress(STEERING) as advance:
        advance(0.5)
    assert "\x1b]" not in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["show", str(next(SAMPLES.glob("*_early_01.parquet")))],
        ["runs", str(SAMPLES)],
        ["compare", str(SAMPLES), "--baseline", "early"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_no_escape_sequence_goes_into_a_pipe(arguments: list[str]) -> None:
    plain = {key: value for key, value in os.environ.items() if key != "FORCE_COLOR"}
    done = subprocess.run(
        [sys.executable, "-m", "rig.cli", *arguments],
        capture_output=True, text=True, check=True, env=plain | {"TERM": "xterm-256color"},
    )  # fmt: skip
    assert "\x1b" not in done.stdout + done.stderr
