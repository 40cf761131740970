"""Folders of captures: what is passed over, and which capture of a run counts."""

from __future__ import annotations

import os
import shutil
import socket
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import rig
from rig import review
from rig.captures.amend import Correction, amend
from rig.captures.capture import load, read_meta
from rig.captures.convert import convert, recalibrate
from rig.captures.dataset import find_captures
from rig.captures.export import export_csv, export_excel
from rig.captures.listing import known_setups, list_captures
from rig.captures.recalibration import recalibrate_all
from rig.errors import InputFileError, RigError, SettingsError
from rig.gather import gather_once
from rig.protocol.records import Status
from rig.stand.settings import demo_stand, stand_from_dict, stand_to_dict
from tests.captures import journals, runs

OLD, NEW = "2031-01-01T00:00:00.000+00:00", "2031-02-01T00:00:00.000+00:00"
NOON = datetime(2031, 3, 1, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with two runs, `a_early.parquet` and `b_late.parquet`."""
    made = tmp_path / "runs"
    made.mkdir()
    shutil.copy(runs.EARLY, made / "a_early.parquet")
    shutil.copy(runs.LATE, made / "b_late.parquet")
    return made


def counted(folder: Path) -> tuple[list[str], tuple[str, ...]]:
    gathered = gather_once(find_captures([folder]))
    return sorted(str(path.relative_to(folder)) for path in gathered.runs), gathered.left_out


def other_stand() -> rig.stand.model.Stand:
    settings = stand_to_dict(demo_stand())
    settings["channels"]["current"]["shunt_ohm"]["value"] *= 2
    return stand_from_dict(settings, "test")


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(path))


_ODD: dict[str, tuple[str, Callable[[Path], object], str]] = {
    "left by another system": ("._x", lambda p: p.write_bytes(b"\0\5\26\7"), "begins with a dot"),
    "a folder": ("x", lambda p: p.mkdir(), "a directory"),
    "a FIFO": ("x", os.mkfifo, "a FIFO"),
    "a socket": ("x", _socket, "a socket"),
    "a device": ("x", lambda p: p.symlink_to("/dev/zero"), "a device"),
}


@pytest.mark.timeout(60)
@pytest.mark.parametrize("odd", _ODD)
def test_what_is_no_capture_by_its_kind_is_passed_over_in_folders(odd: str, folder: Path) -> None:
    stem, make, _ = _ODD[odd]
    make(folder / f"{stem}.parquet")
    make(folder / f"{stem}y.journal")
    if odd == "a folder":
        shutil.copy(runs.TRIP, folder / "x.parquet" / "inside.parquet")
    both = ["a_early.parquet", "b_late.parquet"]
    assert [row.path.name for row in list_captures(folder)] == both
    assert counted(folder) == (both, ())
    assert (
        review.compare([folder], "early").warnings == review.compare([*files()], "early").warnings
    )
    assert len(rig.figures(folder)) == 2
    done = recalibrate_all([folder], demo_stand(), NEW)
    assert [path.name for path in done.written] == both


def files() -> tuple[Path, Path]:
    return runs.EARLY, runs.LATE


@pytest.mark.timeout(60)
@pytest.mark.parametrize("odd", _ODD)
def test_what_is_no_capture_by_its_kind_is_refused_when_named(odd: str, tmp_path: Path) -> None:
    stem, make, words = _ODD[odd]
    path = tmp_path / f"{stem}.parquet"
    make(path)
    uses: list[Callable[[], object]] = [
        lambda: load(path),
        lambda: review.show(path),
        lambda: review.compare([path, runs.EARLY], "early"),
        lambda: rig.figures(path),
        lambda: recalibrate_all([path], demo_stand(), NEW),
        lambda: export_csv(path, tmp_path / "x.csv"),
        lambda: export_excel(path, tmp_path / "x.xlsx"),
        lambda: convert(path, stand=demo_stand()),
        lambda: amend(path, Correction("early"), NOON),
    ]
    for use in uses:
        with pytest.raises(InputFileError, match=words) as caught:
            use()
        assert str(path) in str(caught.value)
        assert caught.value.exit_code == 2


def test_dot_folders_are_passed_over_and_inner_folders_are_not(folder: Path) -> None:
    for name in (".Trashes", "inner"):
        (folder / name).mkdir()
        shutil.copy(runs.TRIP, folder / name / "c.parquet")
    assert counted(folder)[0] == ["a_early.parquet", "b_late.parquet", "inner/c.parquet"]


def test_an_unreadable_file_is_named_in_a_folder_and_an_error_by_name(folder: Path) -> None:
    (folder / "bad.parquet").write_bytes(b"PAR1")
    used, left_out = counted(folder)
    assert used == ["a_early.parquet", "b_late.parquet"]
    (line,) = left_out
    assert line.startswith("bad.parquet is left out: not a capture that can be read")
    assert line in review.compare([folder], "early").warnings
    with pytest.warns(UserWarning, match=r"bad\.parquet is left out"):
        assert len(rig.figures(folder)) == 2
    with pytest.raises(InputFileError, match=r"bad\.parquet: not a capture"):
        review.compare([folder, folder / "bad.parquet"], "early")


def test_a_folder_of_which_nothing_can_be_used_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "bad.parquet").write_bytes(b"PAR1")
    with pytest.raises(InputFileError, match="none of the captures can be read") as caught:
        review.compare([tmp_path], "early")
    assert "bad.parquet is left out" in caught.value.to_do
    shutil.copy(runs.TRIP, tmp_path / "trip.parquet")
    with pytest.raises(SettingsError, match="needs usable runs") as unusable:
        review.compare([tmp_path], "trip")
    assert "bad.parquet is left out" in unusable.value.to_do
    assert "trip.parquet is left out: it ended as 'tripped'" in unusable.value.to_do


def test_an_empty_folder_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="no capture is there"):
        find_captures([tmp_path])


def test_copies_count_once_and_are_named_in_one_line(folder: Path) -> None:
    before = review.compare([folder], "early")
    shutil.copy(runs.EARLY, folder / "a_early (copy).parquet")
    (folder / "stick").mkdir()
    shutil.copy(runs.LATE, folder / "stick" / "b_late.parquet")
    after = review.compare([folder], "early")
    line = (
        "2 files are left out, because a run counts once: "
        "a_early (copy).parquet (the same run as a_early.parquet), "
        "stick/b_late.parquet (the same run as b_late.parquet)"
    )
    assert after.warnings == (line, *before.warnings)
    assert [run.figures for run in after.used] == [run.figures for run in before.used]
    with pytest.warns(UserWarning, match="a run counts once"):
        assert list(rig.figures(folder)["capture"]) == ["a_early.parquet", "b_late.parquet"]


def test_many_copies_are_counted_rather_than_named(folder: Path) -> None:
    for number in range(20):
        shutil.copy(runs.EARLY, folder / f"copy_{number:02}.parquet")
    ((line,), used) = counted(folder)[::-1]
    assert used == ["a_early.parquet", "b_late.parquet"]
    assert line.startswith("20 files are left out") and line.endswith("14 more")


def test_the_newest_calibration_counts(folder: Path) -> None:
    source = folder / "a_early.parquet"
    recalibrate(source, other_stand(), folder / "x1.parquet", NEW)
    recalibrate(source, demo_stand(), folder / "x0.parquet", OLD)
    used, (line,) = counted(folder)
    assert used == ["b_late.parquet", "x1.parquet"]
    assert line.startswith("2 files are left out") and "the same run as x1.parquet" in line
    early = next(iter(gather_once(find_captures([folder])).runs.values()))
    assert early.figures["current_a"] == pytest.approx(
        review.show(source).figures["current_a"] / 2, rel=1e-4
    )


def test_a_recalibrated_capture_of_an_older_version_counts_by_its_name(folder: Path) -> None:
    source = folder / "a_early.parquet"
    made = recalibrate(source, other_stand(), folder / "a_early_recalibrated.parquet")
    os.utime(source, (made.stat().st_mtime + 60,) * 2)
    assert counted(folder)[0] == ["a_early_recalibrated.parquet", "b_late.parquet"]
    recalibrate(source, demo_stand(), folder / "z.parquet", OLD)
    assert counted(folder)[0] == ["b_late.parquet", "z.parquet"]


def test_of_copies_the_one_with_the_newest_correction_counts(folder: Path) -> None:
    copy = folder / "copy_of_early.parquet"
    shutil.copy(runs.EARLY, copy)
    assert counted(folder)[0] == ["a_early.parquet", "b_late.parquet"]
    amend(copy, Correction("25 degrees"), NOON)
    assert counted(folder)[0] == ["b_late.parquet", "copy_of_early.parquet"]
    amend(folder / "a_early.parquet", Correction("26 degrees"), NOON + timedelta(days=1))
    assert counted(folder)[0] == ["a_early.parquet", "b_late.parquet"]


def test_a_correction_counts_where_a_recalibrated_capture_does(folder: Path) -> None:
    recalibrate_all([folder], other_stand(), NEW)
    review.compare([folder], "early")  # now the cache knows the old words
    amend(folder / "a_early.parquet", Correction("25 degrees", pairs={"pack": "P1"}), NOON)
    used = {run.setup: run for run in review.compare([folder], "25 degrees").used}
    assert sorted(used) == ["25 degrees", "late"]
    assert used["25 degrees"].pairs == {"pack": "P1"}
    assert used["25 degrees"].figures["current_a"] == pytest.approx(
        review.show(runs.EARLY).figures["current_a"] / 2, rel=1e-4
    )
    assert list(rig.figures(folder)["setup"]) == ["25 degrees", "late"]
    assert "25 degrees" in known_setups(folder)


def test_the_most_complete_part_counts(tmp_path: Path) -> None:
    rows = runs.rows_of(runs.EARLY)
    runs.imported(tmp_path / "late.parquet", rows[200:])
    runs.imported(tmp_path / "whole.parquet", rows)
    runs.imported(tmp_path / "short.parquet", rows[:900])
    recalibrate(tmp_path / "short.parquet", demo_stand(), tmp_path / "s2.parquet", NEW)
    assert counted(tmp_path)[0] == ["whole.parquet"]


def test_a_terminal_log_does_not_hide_how_the_recorder_saw_the_run_end(tmp_path: Path) -> None:
    shutil.copy(runs.TRIP, tmp_path / "trip.parquet")
    trip, rows = read_meta(runs.TRIP), runs.rows_of(runs.TRIP)
    longer = rows[-1] + [1, 10_000, 0, 0, 0, *[0] * (rows.shape[1] - 5)]
    boot = int(trip.hello.split(",")[4])
    runs.imported(tmp_path / "log.parquet", np.vstack([rows, longer]), "trip", boot)
    gathered = gather_once(find_captures([tmp_path]))
    assert [run.outcome for run in gathered.runs.values()] == ["tripped"]
    assert gathered.left_out


def test_the_listing_marks_what_does_not_count(folder: Path) -> None:
    shutil.copy(runs.EARLY, folder / "copy of a_early.parquet")
    rows = {row.name: row for row, _ in review.runs(folder)}
    assert rows["copy of a_early.parquet"].same_as == "a_early.parquet"
    assert rows["copy of a_early.parquet"].ending == "done, repeat"
    assert {row.same_as for name, row in rows.items() if not name.startswith("copy")} == {""}


def test_of_a_damaged_capture_and_its_copy_the_copy_counts_everywhere(folder: Path) -> None:
    (folder / "copies").mkdir()
    shutil.copy(runs.EARLY, folder / "copies")
    content = bytearray(runs.EARLY.read_bytes())
    content[100:4000] = bytes(3900)
    (folder / "a_early.parquet").write_bytes(content)
    copy = f"copies/{runs.EARLY.name}"
    assert counted(folder)[0] == ["b_late.parquet", copy]
    rows = {row.name: row for row, _ in review.runs(folder)}
    assert rows["a_early.parquet"].outcome.startswith("unreadable: not a capture that can be read")
    assert (rows[copy].same_as, rows[copy].outcome) == ("", "done")


def test_frozen_captures_are_read_shown_compared_and_identified(folder: Path) -> None:
    assert load(runs.TRIP).meta.schema == 1
    for path in (runs.EARLY, runs.LATE, runs.TRIP):
        capture = load(path)
        assert len(capture.frame) == capture.meta.rows
        assert capture.meta == replace(capture.meta, identity="", calibrated="")
    assert review.show(runs.EARLY).figures["speed_rpm"] == pytest.approx(11_450, rel=0.05)
    shutil.copy(runs.TRIP, folder / "trip.parquet")
    comparison = review.compare([folder], "early")
    assert [run.name for run in comparison.used] == ["a_early.parquet", "b_late.parquet"]
    # Two lines of `rig.captures.identity` written out: these words must never change.
    assert [run.identity for run in comparison.used] == [
        "75d41d5a20eea001c993757fb659c75b",
        "c00301d2d0ec515d409f000ab5fbc9d9",
    ]


def test_imported_logs_are_compared(tmp_path: Path) -> None:
    for name, source in (("early", runs.EARLY), ("late", runs.LATE)):
        runs.imported(tmp_path / f"{name}.parquet", runs.rows_of(source), name, boot=len(name))
    compared = review.compare([tmp_path], "early")
    assert [run.outcome for run in compared.used] == ["imported", "imported"]
    known = {run.setup: run.figures["speed_rpm"] for run in compared.used}
    for setup, source in (("early", runs.EARLY), ("late", runs.LATE)):
        # The same hold, found without the throttle that a log does not hold.
        whole = review.show(source).figures["speed_rpm"]
        assert known[setup] == pytest.approx(whole, rel=0.003)


def test_of_a_board_that_only_talks_all_of_a_steady_log_is_compared(tmp_path: Path) -> None:
    for name, source in (("early", runs.EARLY), ("late", runs.LATE)):
        held = load(source).frame
        rows = runs.rows_of(source)[(held["phase"] == "running").to_numpy()]
        rows[:, 4] = 0
        runs.imported(tmp_path / f"{name}.parquet", rows, name, boot=len(name), abilities="-")
    assert len(review.compare([tmp_path], "early").used) == 2


def test_a_log_in_which_the_board_was_never_armed_has_no_steady_part(tmp_path: Path) -> None:
    rows = runs.rows_of(runs.EARLY)
    rows[:, 4] = 0
    runs.imported(tmp_path / "early.parquet", rows)
    with pytest.raises(RigError, match="needs usable runs") as caught:
        review.compare([tmp_path], "early")
    assert "it has no steady part" in caught.value.to_do


def test_a_log_in_which_the_board_cut_at_a_limit_is_of_a_tripped_run(tmp_path: Path) -> None:
    rows = runs.rows_of(runs.EARLY)
    rows[:50, 4] = Status.CUT | Status.LIMIT  # from a run before this one, until armed
    assert read_meta(runs.imported(tmp_path / "a.parquet", rows)).outcome == "imported"
    rows[800:, 4] = Status.CUT | Status.LIMIT
    meta = read_meta(runs.imported(tmp_path / "b.parquet", rows))
    assert (meta.outcome, meta.cause[:13]) == ("tripped", "the board cut")


def test_journals_of_one_run_salvaged_twice_count_once(tmp_path: Path) -> None:
    lines = journals.whole_run()
    for length in (200, 260):
        convert(journals.written(tmp_path / f"{length}.journal", lines[:length]))
    assert counted(tmp_path)[0] == ["260.parquet"]
