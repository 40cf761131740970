"""`rig amend`: words are corrected, the old ones kept, and no row changes."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from rig.captures import amend as amend_module
from rig.captures.amend import Correction, amend
from rig.captures.capture import META_KEY, load, read_meta, read_metadata
from rig.captures.convert import convert, recalibrate
from rig.captures.identity import SKETCH_KEY, identity_of
from rig.cli import main
from rig.errors import DiskError, InputFileError, SettingsError
from tests.captures import journals
from tests.report.captures import write

NOW = datetime(2031, 5, 5, 8, 30, tzinfo=UTC)
LATER = datetime(2031, 5, 6, 8, 30, tzinfo=UTC)


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    journal = journals.written(
        tmp_path / "a.journal",
        [journals.begin(setup="erly", pairs={"pack": "P1"}), *journals.whole_run()[1:]],
    )
    return convert(journal)


def rows(path: Path) -> list[tuple[object, ...]]:
    """As DuckDB, a foreign reader, sees them."""
    return duckdb.sql(f"select * from read_parquet('{path}')").fetchall()


def test_the_words_change_and_nothing_else(capture: Path) -> None:
    before, columns, old = rows(capture), pq.read_schema(capture), read_meta(capture)
    changes = amend(capture, Correction("early", "20 degrees", {"pack": "P2", "fan": "F1"}), NOW)
    assert rows(capture) == before
    assert pq.read_schema(capture).equals(columns, check_metadata=True)
    meta = read_meta(capture)
    assert (meta.setup, meta.notes) == ("early", "20 degrees")
    assert meta.pairs == {"pack": "P2", "fan": "F1"}
    assert meta.amendments == changes
    assert [(entry["what"], entry["old"], entry["new"]) for entry in changes] == [
        ("setup", "erly", "early"),
        ("notes", "pusher propeller, 20 degrees of timing", "20 degrees"),
        ("with pack", "P1", "P2"),
        ("with fan", "", "F1"),
    ]
    assert {entry["utc"] for entry in changes} == {"2031-05-05T08:30:00+00:00"}
    words = ("setup", "notes", "pairs", "amendments")
    kept = [{k: v for k, v in m.as_dict().items() if k not in words} for m in (old, meta)]
    assert kept[0] == kept[1]


def test_the_identity_stays(capture: Path) -> None:
    before = identity_of(capture)
    assert before is not None and read_meta(capture).identity == before.digest
    amend(capture, Correction("early"), NOW)
    assert identity_of(capture) == before
    assert read_metadata(capture)[SKETCH_KEY].decode() == before.sketch


def test_amendments_add_up_and_survive_a_recalibration(capture: Path, tmp_path: Path) -> None:
    amend(capture, Correction("early"), NOW)
    amend(capture, Correction("late", pairs={"pack": ""}), LATER)
    meta = read_meta(recalibrate(capture, journals.STAND, tmp_path / "anew.parquet"))
    assert [entry["new"] for entry in meta.amendments] == ["early", "late", ""]
    assert meta.pairs == {}


def test_the_same_words_touch_nothing(capture: Path) -> None:
    before = capture.stat()
    assert amend(capture, Correction("erly", pairs={"pack": "P1", "fan": ""}), NOW) == []
    assert capture.stat() == before


def test_what_a_later_version_wrote_is_kept(tmp_path: Path) -> None:
    table = pa.table({"time_s": [0.0, 1.0], "sparks": ["a", None], "glow": [1.0, np.nan]})
    path = tmp_path / "x.parquet"
    write(path, table, {"setup": "erly", "colour": ["blue"]}, group=1)
    amend(path, Correction("early"), NOW)
    content = json.loads(pq.ParquetFile(path).metadata.metadata[META_KEY])
    assert (content["colour"], content["setup"]) == (["blue"], "early")
    assert pq.ParquetFile(path).num_row_groups == 2
    assert pq.read_table(path).drop_columns("glow") == table.drop_columns("glow")
    assert np.isnan(pq.read_table(path)["glow"][1].as_py())


def test_other_metadata_are_kept(tmp_path: Path) -> None:
    """Keys of the file, and pandas' own of the schema."""
    path = tmp_path / "x.parquet"
    table = pa.Table.from_pandas(pd.DataFrame({"speed_rpm": [1.0]}, index=[7]))
    with pq.ParquetWriter(path, table.schema) as writer:
        writer.write_table(table)
        writer.add_key_value_metadata({META_KEY: b'{"setup": "erly"}', b"other": b"kept"})
    amend(path, Correction("early"), NOW)
    assert pq.ParquetFile(path).metadata.metadata[b"other"] == b"kept"
    assert pd.read_parquet(path).index.tolist() == [7]


def test_a_link_and_permissions_stay(capture: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.parquet"
    link.symlink_to(capture)
    capture.chmod(0o640)
    amend(link, Correction("early"), NOW)
    assert link.is_symlink()
    assert read_meta(capture).setup == "early"
    assert capture.stat().st_mode & 0o777 == 0o640


def refuse(*_: object, **__: object) -> None:
    raise OSError(28, "No space left on device")


def other_rows(real: Callable[[Path], object]) -> Callable[[Path], object]:
    def blocks(path: Path) -> object:
        return iter([b"x"]) if path.name.endswith(".partial") else real(path)

    return blocks


@pytest.mark.parametrize("fault", ["fsync", "replace", "rows", "schema"])
def test_a_failure_leaves_the_original(
    capture: Path, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = capture.read_bytes()
    if fault == "fsync":
        monkeypatch.setattr(os, "fsync", refuse)
    elif fault == "replace":
        monkeypatch.setattr(Path, "replace", refuse)
    elif fault == "rows":
        blocks = other_rows(amend_module._as_bytes)
        monkeypatch.setattr(amend_module, "_as_bytes", blocks)
    else:
        schemas = iter([amend_module.read_schema(capture)] * 2 + [pa.schema([])])
        monkeypatch.setattr(amend_module, "read_schema", lambda _: next(schemas))
    with pytest.raises(DiskError):
        amend(capture, Correction("early"), NOW)
    assert capture.read_bytes() == before
    assert [path.name for path in capture.parent.iterdir()].count("a.parquet") == 1
    assert not list(capture.parent.glob(".*.partial"))


def test_a_damaged_table_is_not_rewritten(capture: Path) -> None:
    content = bytearray(capture.read_bytes())
    content[200:260] = bytes(60)
    capture.write_bytes(content)
    with pytest.raises(InputFileError):
        amend(capture, Correction("early"), NOW)
    assert capture.read_bytes() == content


def test_what_a_killed_process_left_is_removed(capture: Path) -> None:
    left = capture.with_name(f".{capture.name}.0a0b0c0d.partial")
    left.write_bytes(b"half")
    amend(capture, Correction("early"), NOW)
    assert not left.exists()


def test_the_command_takes_several(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = []
    for name in "ab":
        lines = [journals.begin(setup="erly"), *journals.whole_run()[1:]]
        paths.append(convert(journals.written(tmp_path / f"{name}.journal", lines)))
    words = ["amend", *map(str, paths), "--setup", "early", "--with", "pack=P 1", "--notes", ""]
    assert main([*words, "--json"]) == 0
    done = json.loads(capsys.readouterr().out)
    assert [entry["capture"] for entry in done] == list(map(str, paths))
    assert main(words) == 0
    assert capsys.readouterr().out.count("as it was:") == 2
    assert main(["show", str(paths[0])]) == 0
    shown = capsys.readouterr().out
    assert "pack: P 1" in shown
    assert "setup was 'erly'" in shown
    assert "with pack was empty" in shown


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "nothing to correct"),
        (["--setup", " "], "needs a name"),
        (["--setup", "caf\udce9"], "not valid Unicode"),
        (["--notes", "\udc80"], "not valid Unicode"),
        (["--with", "Pack=P1"], "not a pair"),
        (["--with", "k19=x"], "21 pairs"),
    ],
)
def test_wrong_words_change_no_file(
    capture: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    full = {f"k{number}": "x" for number in range(19)}
    amend(capture, Correction(pairs=full), NOW)  # with the pack: 20
    other = convert(journals.written(capture.with_name("b.journal"), journals.whole_run()))
    before = [path.read_bytes() for path in (other, capture)]
    assert main(["amend", str(other), str(capture), *words]) == 2
    assert said in capsys.readouterr().err
    assert [path.read_bytes() for path in (other, capture)] == before


def test_a_later_file_that_is_none_stops_before_the_first(capture: Path) -> None:
    before = capture.read_bytes()
    assert main(["amend", str(capture), str(capture.parent), "--setup", "early"]) == 2
    assert capture.read_bytes() == before


def test_figures_are_those_of_the_same_rows(capture: Path) -> None:
    before = load(capture).frame
    amend(capture, Correction("early"), NOW)
    assert load(capture).frame.equals(before)


def test_a_correction_without_words() -> None:
    with pytest.raises(SettingsError):
        Correction()
