"""`rig` and the firmware together: whole runs, and the rules of the protocol."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.captures.capture import load
from rig.errors import LINK_LOST
from tests.firmware import build
from tests.firmware.simulated import Chip, running

STAND = Path(build.HERE.parents[1], "rig", "stand", "marram.toml")


def rig(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *words, "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def told(process: subprocess.Popen[str], code: int = 0) -> tuple[Any, str]:
    """What a command prints as JSON, and its complaint; its exit code must be this."""
    out, complaint = process.communicate(timeout=110)
    assert process.returncode == code, complaint
    return json.loads(out), complaint


def run(chip: Chip, stand: Path, out: Path, throttle: str) -> subprocess.Popen[str]:
    return rig(
        "run", "--headless", "--port", chip.port, "--stand", str(stand), "--setup", "early",
        "--throttle", throttle, "--soak", "0.2", "--out", str(out),
    )  # fmt: skip


@pytest.mark.long
@pytest.mark.parametrize(("baud", "line_hz", "conversions"), build.RATES)
def test_a_minute_loses_no_line_and_reads_what_is_true(
    folder: Path, bench: Path, tmp_path: Path, baud: int, line_hz: int, conversions: int
) -> None:
    stand = tmp_path / "stand.toml"
    stand.write_text(STAND.read_text().replace("baud = 115200", f"baud = {baud}"))
    with running(bench, build.at_rate(folder, baud, line_hz, conversions, wrap_s=30)) as chip:
        done, _ = told(run(chip, stand, tmp_path, "50:60"))
        fastest = max(chip.truths(), key=lambda row: row[1])
        _, *true = next(row for row in reversed(chip.truths()) if row[1] == fastest[1])
        stopped, off = chip.times("host", "stop")[0], chip.times("drive", "0")[0]

    frame = load(Path(done["capture"])).frame
    lost = int((np.diff(frame["sequence"]) - 1).sum())
    print(f"{baud} baud, {line_hz} lines/s: {len(frame)} lines, {lost} lost")
    assert len(frame) > 0.99 * 60 * line_hz, "the bench did not keep pace"
    assert lost == 0
    for counter, wraps_at in (("sequence", 2**16), ("tick", 2**32), ("edges", 2**16)):
        assert frame[counter].min() < wraps_at < frame[counter].max()

    shown, _ = told(rig("show", done["capture"]))
    for name, truth in zip(("speed_rpm", "current_a", "voltage_v"), true, strict=True):
        figure, u = shown["figures"][name], shown["uncertainty"][name]
        print(f"    {name} {figure:.3f}, u {u:.3f}, true {truth:.3f}")
        assert abs(figure - truth) <= (5e-4 * truth if name == "speed_rpm" else 2 * u)
    assert 0 <= off - stopped <= 0.010


def test_a_run_ends_when_the_supply_of_the_board_dips(chip: Chip, tmp_path: Path) -> None:
    process = run(chip, STAND, tmp_path, "30:20")
    chip.until(lambda: chip.truths() and chip.truths()[-1][1] > 1000)
    chip.suffer("dip")
    done, complaint = told(process, LINK_LOST)
    (on,) = chip.times("drive", "1")
    (off,) = chip.times("drive", "0")
    assert off == chip.times("reset", "")[-1] > on
    assert "the board was reset in mid-run" in complaint
    assert load(Path(done["capture"])).meta.outcome == "link lost"


@pytest.mark.long
@pytest.mark.parametrize(
    ("source", "least"), [(build.BOARD, 20), (build.LISTENER, 5)], ids=["board", "listener"]
)
def test_it_keeps_the_rules(folder: Path, bench: Path, source: Path, least: int) -> None:
    with running(bench, build.sketch(folder / f"{source.stem}-rules", source)) as chip:
        report, _ = told(rig("verify-board", "--port", chip.port, "--supply-off"))
    rules = report["rules"]
    print(*(f"{r['verdict']:<14}  {r['rule']}: {r['detail']}" for r in rules), sep="\n")
    assert len([r for r in rules if r["verdict"] == "kept"]) >= least
