"""`rig recalibrate`: captures and folders, into a folder of their own."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from rig.captures.capture import read_meta
from rig.captures.recalibration import recalibrate_all
from rig.errors import DiskError, InputFileError, SettingsError
from rig.stand.settings import demo_stand
from tests.captures import runs

MADE = "2031-01-01T00:00:00.000+00:00"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "runs"
    (made / "inner").mkdir(parents=True)
    shutil.copy(runs.EARLY, made / "a.parquet")
    shutil.copy(runs.LATE, made / "inner" / "b.parquet")
    return made


def _written(paths: list[Path], out: Path | None = None) -> list[Path]:
    return list(recalibrate_all(paths, demo_stand(), MADE, out).written)


def test_a_capture_goes_to_a_folder_of_its_own(folder: Path) -> None:
    (made,) = _written([folder / "a.parquet"])
    assert made == folder / "recalibrated" / "a.parquet"
    assert read_meta(made).calibrated == MADE
    assert _written([made]) == [folder / "recalibrated" / "a_2.parquet"]


def test_a_folder_keeps_its_shape_and_can_be_done_again(folder: Path) -> None:
    own = folder / "recalibrated"
    assert _written([folder]) == [own / "a.parquet", own / "inner" / "b.parquet"]
    assert _written([folder]) == [own / "a_2.parquet", own / "inner" / "b_2.parquet"]


def test_several_captures_and_folders_at_once(folder: Path, tmp_path: Path) -> None:
    shutil.copy(runs.TRIP, tmp_path / "trip.parquet")
    out = tmp_path / "new" / "folder"
    made = _written([folder, tmp_path / "trip.parquet"], out)
    assert made == [out / "a.parquet", out / "inner" / "b.parquet", out / "trip.parquet"]
    assert sorted(path.name for path in folder.rglob("*")) == ["a.parquet", "b.parquet", "inner"]


def test_each_run_of_a_folder_is_done_once_and_bad_files_are_named(folder: Path) -> None:
    shutil.copy(runs.EARLY, folder / "copy of a.parquet")
    (folder / "bad.parquet").write_bytes(b"PAR1")
    done = recalibrate_all([folder], demo_stand(), MADE)
    assert [path.name for path in done.written] == ["a.parquet", "b.parquet"]
    assert done.left_out[0].startswith("bad.parquet is left out")
    assert done.left_out[1].startswith("1 file is left out, because a run counts once: copy of")


def test_one_capture_may_go_to_a_file(folder: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.parquet"
    assert _written([folder / "a.parquet"], new) == [new]
    for paths in ([folder], [folder / "a.parquet", folder / "inner" / "b.parquet"]):
        with pytest.raises(SettingsError, match="one file for several"):
            _written(paths, tmp_path / "other.parquet")


def test_not_beside_the_old_ones(folder: Path) -> None:
    for paths in ([folder / "a.parquet"], [folder]):
        with pytest.raises(SettingsError, match="old captures are in that folder"):
            _written(paths, folder)


def test_a_file_in_the_folders_place_is_a_disk_error(folder: Path) -> None:
    (folder / "recalibrated").write_text("not a folder")
    with pytest.raises(DiskError, match="folder cannot be made"):
        _written([folder / "a.parquet"])


def test_nothing_is_left_of_a_capture_that_turns_out_damaged(folder: Path) -> None:
    path = folder / "a.parquet"
    content = bytearray(path.read_bytes())
    content[1000:20_000] = bytes(19_000)
    path.write_bytes(content)
    with pytest.raises(InputFileError):
        _written([path])
    assert not list((folder / "recalibrated").iterdir())


def test_what_a_killed_call_left_is_swept_by_the_next(folder: Path) -> None:
    slow = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from rig.captures import table\n"
        "from rig.captures.recalibration import recalibrate_all\n"
        "from rig.stand.settings import demo_stand\n"
        "def describe(self, meta):\n"
        "    print('writing', flush=True)\n"
        "    time.sleep(60)\n"
        "table.TableWriter.describe = describe\n"
        "recalibrate_all([Path(sys.argv[1])], demo_stand(), '')\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", slow, str(folder)], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"writing\n"
        os.kill(process.pid, signal.SIGKILL)
    own = folder / "recalibrated"
    assert [path.suffix for path in own.iterdir()] == [".partial"]
    _written([folder])
    assert sorted(path.name for path in own.rglob("*")) == ["a.parquet", "b.parquet", "inner"]
