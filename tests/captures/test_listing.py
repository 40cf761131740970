"""What `rig runs` shows of a folder."""

import os
from pathlib import Path

import pytest

from rig.captures.convert import convert
from rig.captures.listing import WANTS_SALVAGE, known_setups, list_captures
from rig.errors import InputFileError
from tests.captures import journals


def test_captures_and_what_wants_salvaging(tmp_path: Path) -> None:
    inner = tmp_path / "marram"
    inner.mkdir()
    convert(journals.written(tmp_path / "a.journal", journals.whole_run()))
    journals.written(inner / "b.journal", [journals.begin(setup="late"), journals.introduction()])
    (inner / "c.parquet").write_bytes(b"PAR1")
    (inner / "d.journal").write_bytes(b"")
    (inner / ".e.parquet.0a0b0c0d.partial").write_bytes(b"")
    rows = {row.path.name: row for row in list_captures(tmp_path)}
    assert list(rows) == ["a.parquet", "b.journal", "c.parquet", "d.journal"]
    assert (rows["a.parquet"].setup, rows["a.parquet"].outcome) == ("early", "done")
    assert rows["a.parquet"].seconds == pytest.approx(2.99)
    assert (rows["b.journal"].setup, rows["b.journal"].outcome) == ("late", WANTS_SALVAGE)
    assert rows["c.parquet"].outcome.startswith("unreadable: not a capture")
    assert rows["d.journal"].outcome == WANTS_SALVAGE


def test_a_journal_salvaged_under_a_second_name_is_not_flagged(tmp_path: Path) -> None:
    (tmp_path / "a.parquet").write_bytes(b"")
    journal = journals.written(tmp_path / "a.journal", journals.whole_run())
    assert convert(journal).name == "a_2.parquet"
    assert [row.path.name for row in list_captures(tmp_path)] == ["a.parquet", "a_2.parquet"]


def test_the_setups_that_a_folder_knows_newest_first(tmp_path: Path) -> None:
    assert known_setups(tmp_path / "nowhere") == []
    for name, setup in (("1", "early"), ("2", "late"), ("3", "early")):
        lines = [journals.begin(setup=setup), *journals.whole_run()[1:]]
        convert(journals.written(tmp_path / f"{name}.journal", lines))
    (tmp_path / "4.parquet").write_bytes(b"PAR1")
    (tmp_path / "5.parquet").mkdir()
    os.mkfifo(tmp_path / "6.parquet")
    (tmp_path / "._7.parquet").write_bytes(b"")
    assert known_setups(tmp_path) == ["early", "late"]


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="no such folder"):
        list_captures(tmp_path / "nowhere")
