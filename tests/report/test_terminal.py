"""Tables on a terminal and in a pipe: numbers stay whole, and nothing from a file steers either."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from rig.report import terminal
from rig.report.document import (
    Answer,
    Block,
    Bullets,
    Caution,
    Column,
    Heading,
    Name,
    Paragraph,
    Table,
)
from rig.report.terminal import print_blocks

NUMBERS = ["{} +- SD", "early +- SD", "change", "95 % interval, %"]
ROWS = [
    ("Controller temperature, °C", "24.486 +- 0.012", "24.547 +- 0.01", "+1.27 %", "+8.4 to +17.2"),
    ("Speed, rpm", "11225.1 +- 9.8", "11404.2 +- 7.0", "+1.59 %", "+1.47 to +1.72"),
]  # fmt: skip


@pytest.mark.parametrize("width", [72, 80, 100, 140])
@pytest.mark.parametrize("setup", ["late", "a setup with a name of forty characters"])
def test_no_digit_is_lost(
    width: int, setup: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    numbers = (Column(head.format(setup), "number") for head in NUMBERS)
    print_blocks([Table((Column("quantity"), *numbers), tuple(ROWS))])
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= width
    for row in ROWS:
        for number in re.findall(r"[-+]?\d[\d.]*", " ".join(row[1:])):
            assert number in shown
    if width >= 80 and setup == "late":
        assert all(cell in shown for row in ROWS for cell in row[1:])


SAMPLES = Path(__file__).parents[2] / "sample_captures"
STEERING = "\x1b]0;owned\x07\x1b[31m[bold]red[/bold][/nothing]\u202e"


@pytest.mark.parametrize(
    "block",
    [
        Table(
            (Column(STEERING), Column((Name(STEERING),), "number")), ((STEERING, "1"),), STEERING
        ),
        Heading(2, (Name(STEERING), " -> ")),
        Paragraph(STEERING),
        Answer(STEERING, STEERING, "faster", STEERING),
        Bullets((STEERING,)),
        Caution(STEERING),
    ],
    ids=lambda block: type(block).__name__,
)
def test_no_block_can_steer_a_terminal(block: Block, capsys: pytest.CaptureFixture[str]) -> None:
    print_blocks([block])
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
