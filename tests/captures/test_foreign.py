"""Captures in programs that know nothing of us: pandas, polars and DuckDB."""

from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pytest

from rig.captures.capture import load
from rig.captures.convert import convert, finish
from rig.protocol.records import Data
from tests.captures import journals


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two runs; the second one begins with an open thermistor, whose reading is not known."""
    finish(journals.written(tmp_path / "a.journal", journals.whole_run()))
    counts = (1200, 8000, 16_368, 7600, 7800)
    first = Data(64_999, 2**32 - 510_000, 65_497, 2**32 - 510_900, 1, counts)
    lines = [journals.begin(setup="late"), journals.introduction()]
    lines += [journals.frame(first.body()), *(journals.data(row) for row in range(50))]
    finish(journals.written(tmp_path / "b.journal", lines))
    return tmp_path


def _plain(frame: pd.DataFrame) -> list[tuple[object, ...]]:
    """Rows with None for what is not known."""
    plain = frame.astype(object)
    return list(plain.where(frame.notna(), None).itertuples(index=False, name=None))


@pytest.mark.parametrize("name", ["a.parquet", "b.parquet"])
def test_three_readers_see_what_we_see(folder: Path, name: str) -> None:
    path = folder / name
    ours = load(path).frame
    expected = _plain(ours)
    assert _plain(pd.read_parquet(path)) == expected
    assert pl.read_parquet(path).rows() == expected
    assert duckdb.read_parquet(str(path)).fetchall() == expected
    assert pl.read_parquet(path).columns == list(ours.columns)
    assert duckdb.read_parquet(str(path)).columns == list(ours.columns)


def test_what_is_not_known_is_null_and_the_row_not_valid(folder: Path) -> None:
    table = pl.read_parquet(folder / "b.parquet")
    assert table["motor_degc"].null_count() == 1
    assert table["motor_degc"].is_nan().sum() == 0
    assert table["valid"].to_list() == [False] + [True] * 50
    query = "select count(motor_degc), bool_or(isnan(motor_degc)) from read_parquet(?)"
    counted = duckdb.execute(query, [str(folder / "b.parquet")]).fetchone()
    assert counted == (50, False)


def test_a_folder_is_a_dataset(folder: Path) -> None:
    pattern = str(folder / "*.parquet")
    rows = pl.read_parquet(pattern).height
    assert rows == len(pd.read_parquet(folder)) == 300 + 51
    query = "select count(*), count(distinct filename) from read_parquet(?, filename=true)"
    assert duckdb.execute(query, [pattern]).fetchone() == (351, 2)


def test_smaller_than_what_pandas_makes_of_the_same_table(tmp_path: Path) -> None:
    path = convert(journals.written(tmp_path / "a.journal", journals.whole_run(30_000)))
    load(path).frame.to_parquet(tmp_path / "plain.parquet")
    assert path.stat().st_size <= 0.7 * (tmp_path / "plain.parquet").stat().st_size
