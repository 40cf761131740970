"""Captures: foreign readers, damage, salvage, injection, and the disk that is full."""

from __future__ import annotations

import csv
import resource
import subprocess
import sys
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.captures.capture import load, read_meta
from rig.captures.convert import convert, finish, recalibrate
from rig.captures.export import export_csv, export_excel
from rig.captures.listing import list_captures
from rig.captures.names import safe_name
from rig.errors import DiskError, InputFileError, RigError
from rig.protocol.framing import frame
from rig.protocol.records import Data, Remark
from rig.stand.settings import demo_stand, stand_to_dict
from tests.bench.scripted import CALM, ScriptedBoard


def lines(count: int, *, phase: str = "running", setup: str = "early") -> bytes:
    """A journal of `count` data lines without an end."""
    board = ScriptedBoard(200)
    begin = {"setup": setup, "run": 1, "stand": stand_to_dict(demo_stand())}
    parts = [frame(Remark("begin", 0.0, begin).body()), board.introduction()]
    parts.append(frame(Remark("state", 0.1, {"state": phase}).body()))
    for i in range(count):
        board.counts = (CALM[0] + i % 50, *CALM[1:])
        parts.append(board.data_line())
    board.close()
    return b"".join(parts)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "a.journal"
    path.write_bytes(lines(500))
    return path


def test_three_foreign_readers_see_the_same_table(journal: Path) -> None:
    path = convert(journal)
    frame_ = load(path).frame
    by_pandas = pd.read_parquet(path)
    by_polars = pl.read_parquet(path)
    by_duckdb = duckdb.sql(f"select * from '{path.parent}/*.parquet'").df()
    assert len(frame_) == 500
    for other in (by_pandas, by_polars.to_pandas(), by_duckdb):
        assert list(other.columns) == list(frame_.columns)
        for column in frame_.columns:
            assert (other[column].astype(str) == frame_[column].astype(str)).all(), column


def test_a_capture_is_never_overwritten_and_the_journal_goes_last(journal: Path) -> None:
    first, second = convert(journal), convert(journal)
    assert first.name != second.name
    assert journal.exists()
    third = finish(journal)
    assert third.exists()
    assert not journal.exists()


def test_recalibration_with_the_same_stand_changes_nothing(journal: Path) -> None:
    old = load(convert(journal))
    new = load(recalibrate(convert(journal), demo_stand()))
    pd.testing.assert_frame_equal(old.frame, new.frame)


WHOLE = lines(40)


def test_a_journal_cut_at_any_byte_keeps_every_line_before(tmp_path: Path) -> None:
    for cut in range(len(WHOLE) - 150, len(WHOLE)):
        path = tmp_path / f"{cut}.journal"
        path.write_bytes(WHOLE[:cut])
        meta = read_meta(convert(path))
        whole_lines = WHOLE[:cut].split(b"\n")[:-1]
        assert meta.rows == sum(line.startswith(b"D,") for line in whole_lines)
        assert meta.outcome == "cut off"


def test_a_plain_log_imports_with_a_stand_and_not_without(tmp_path: Path) -> None:
    log = tmp_path / "terminal.log"
    plain = [line for line in WHOLE.split(b"\n") if not line.startswith(b"!")]
    log.write_bytes(b"\r\n".join(plain))
    with pytest.raises(InputFileError, match="without the stand"):
        convert(log)
    meta = read_meta(convert(log, stand=demo_stand(), setup="late"))
    assert (meta.rows, meta.setup, meta.outcome) == (40, "late", "imported")


@pytest.mark.parametrize("content", [b"", b"PAR1", b"not parquet at all", b"PAR1" + bytes(200)])
def test_what_is_not_a_capture_is_said(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.parquet"
    path.write_bytes(content)
    with pytest.raises(InputFileError):
        load(path)
    (row,) = list_captures(tmp_path)
    assert row.outcome.startswith("unreadable")


def test_foreign_and_truncated_parquet_and_missing_files_are_said(journal: Path) -> None:
    folder = journal.parent
    pd.DataFrame({"x": [1]}).to_parquet(folder / "foreign.parquet")
    (folder / "short.parquet").write_bytes(convert(journal).read_bytes()[:-100])
    for name in ("foreign.parquet", "short.parquet", "missing.parquet"):
        with pytest.raises(InputFileError):
            load(folder / name)


@given(st.binary(max_size=400))
@settings(max_examples=40)
def test_any_bytes_as_a_journal_give_a_capture_or_a_clear_error(data: bytes) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.journal"
        path.write_bytes(data)
        try:
            convert(path)
        except RigError as error:
            assert error.where
        assert path.read_bytes() == data


def test_no_text_cell_starts_a_formula(tmp_path: Path) -> None:
    path = tmp_path / "evil.journal"
    path.write_bytes(lines(5, phase="=1+cmd|'/c calc'!A0", setup="@SUM(A1)\x1b[2J"))
    capture = convert(path)
    with export_csv(capture, tmp_path / "out.csv").open(newline="") as file:
        head, *rows = csv.reader(file)
    assert "current_a [A]" in head
    assert all(row[head.index("phase")].startswith("'=") for row in rows)
    book = openpyxl.load_workbook(export_excel(capture, tmp_path / "out.xlsx"))
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row]
    assert not any(cell.data_type == "f" for cell in cells)
    assert not any(str(c.value).startswith(("=", "@", "+")) for c in cells)


def test_a_disk_that_is_full_leaves_the_journal_and_nothing_half_written(journal: Path) -> None:
    """A limit on file size stands for the full disk: the write fails in the same place."""
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from rig.captures.convert import finish\n"
        "from rig.errors import DiskError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "try: finish(Path(sys.argv[1]))\n"
        "except DiskError as error: print(error); sys.exit(error.exit_code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(journal)], capture_output=True, text=True, check=False
    )
    assert done.returncode == DiskError.exit_code == 5
    assert "kept" in done.stdout
    assert [path.name for path in journal.parent.iterdir()] == [journal.name]
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 4096


def test_a_board_reset_ends_the_capture_there(tmp_path: Path) -> None:
    again = b"".join(frame(Data(i, i, 0, 0, 2, CALM).body()) for i in range(10))
    path = tmp_path / "reset.journal"
    path.write_bytes(WHOLE + again)
    meta = read_meta(convert(path))
    assert meta.rows == 40
    assert meta.statistics["restarted"] is True


@given(st.text(max_size=200))
def test_a_safe_name_is_one_harmless_part_of_a_path(text: str) -> None:
    name = safe_name(text)
    assert name == Path(name).name
    assert name not in (".", "..", "")
    assert not set(name) & set('/\\:*?"<>|\x00\n')
    assert safe_name(name) == name
