"""Mistakes of users that are met before anything runs: one message, the right code."""

import subprocess
import sys
from pathlib import Path

import pytest

from rig.captures.capture import read_meta
from rig.captures.description import LONGEST_TEXT
from rig.captures.files import write_new
from rig.errors import DONE, USAGE, DiskError, SettingsError
from rig.firmware import SKETCHES, write_out
from rig.plans import plan_run
from rig.simulator.process import SimulatedBoard
from rig.stand.settings import demo_stand

SAMPLES = Path(__file__).parents[1] / "sample_captures"


@pytest.mark.parametrize(
    ("changed", "where"),
    [
        ({"seconds": 0.0}, "--seconds"),
        ({"setup": " "}, "--setup"),
        ({"setup": "n" * (LONGEST_TEXT + 1)}, "--setup"),
        ({"notes": "n" * (LONGEST_TEXT + 1)}, "--notes"),
    ],
)
def test_what_cannot_be_planned_is_named(
    changed: dict[str, object], where: str, tmp_path: Path
) -> None:
    request = {"setup": "x", "seconds": 1.0, "throttle": (), "soak_s": 0.0, **changed}
    with pytest.raises(SettingsError) as error:
        plan_run(demo_stand(), "port", folder=tmp_path, **request)  # type: ignore[arg-type]
    assert error.value.where == where
    assert error.value.to_do


@pytest.mark.parametrize("folder", ["a file", "nowhere"])
def test_a_folder_that_is_none_is_named(folder: str, tmp_path: Path) -> None:
    (tmp_path / "a file").touch()
    with pytest.raises(DiskError, match="no such folder") as error:
        write_new(tmp_path / folder / "x.csv", lambda file: file.write(b"x"))
    assert error.value.where == str(tmp_path / folder)


def test_options_that_the_simulated_board_refuses_are_a_mistake_in_usage() -> None:
    with pytest.raises(SettingsError, match="timing_deg is 99") as error:
        SimulatedBoard(["--timing=99"])
    assert error.value.exit_code == USAGE


def test_a_reader_that_has_had_enough_is_no_mistake() -> None:
    capture = next(SAMPLES.glob("*_early_01.parquet"))
    shown = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", "show", capture],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert shown.stdout is not None and shown.stderr is not None
    shown.stdout.close()
    assert (shown.stderr.read(), shown.wait(30.0)) == (b"", DONE)
    shown.stderr.close()


def test_a_run_whose_status_nobody_reads_is_stopped_and_kept(tmp_path: Path) -> None:
    run = subprocess.Popen(
        [
            sys.executable, "-m", "rig.cli", "run", "--simulated", "--setup", "x", "--throttle",
            "50:60", "--soak", "0", "--seed", "0", "--headless", "--out", str(tmp_path),
        ],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert run.stdout is not None
    while "running" not in run.stdout.readline():
        pass
    run.stdout.close()
    assert run.wait(30.0) == 3
    (capture,) = tmp_path.glob("*.parquet")
    assert "nobody reads" in read_meta(capture).cause


def test_the_sketches_of_the_board_are_written_and_never_over_others(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "sketches"
    written = write_out(folder)
    assert [path.relative_to(folder).as_posix() for path in written] == [
        "stand_board/stand_board.ino",
        "listener/listener.ino",
    ]
    assert [path.read_bytes() for path in written] == [
        source.read_bytes() for source in SKETCHES.values()
    ]
    written[0].write_text("pins of my own")
    with pytest.raises(SettingsError, match="there already"):
        write_out(folder)
    assert written[0].read_text() == "pins of my own"
    with pytest.raises(DiskError, match="cannot be made"):
        write_out(written[0])
