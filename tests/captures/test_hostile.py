"""Parquet that somebody else wrote: every command ends in one message, or does its job."""

from __future__ import annotations

import math
import resource
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.captures.capture import META_KEY, load
from rig.captures.checked import MOST_CELLS
from rig.captures.convert import convert
from rig.cli import main
from rig.errors import InputFileError
from rig.protocol.framing import frame
from rig.protocol.records import Data
from tests.captures import journals

ROOT = Path(__file__).parents[2]
GOOD = next((ROOT / "sample_captures").glob("*_early_01.parquet"))
OTHERS = [
    next((ROOT / "sample_captures").glob(f"*_{name}.parquet")) for name in ("early_02", "late_01")
]
STAND = ROOT / "rig" / "stand" / "marram.toml"


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def written(path: Path, table: pa.Table) -> Path:
    """`table` with the description of a good capture."""
    meta = pq.read_metadata(GOOD).metadata[META_KEY]
    with pq.ParquetWriter(path, table.schema) as writer:
        writer.write_table(table)
        writer.add_key_value_metadata({META_KEY: meta})
    return path


def put(name: str, make: Callable[[int], pa.Array]) -> Callable[[pa.Table], pa.Table]:
    """Another column in the place of `name`."""
    return lambda table: table.set_column(
        table.schema.get_field_index(name), name, make(table.num_rows)
    )


def constant(value: object, kind: pa.DataType | None = None) -> Callable[[int], pa.Array]:
    return lambda rows: pa.array([value] * rows, kind)


def changed(name: str, row: int, value: float | None) -> Callable[[pa.Table], pa.Table]:
    """One value of a column changed."""

    def change(table: pa.Table) -> pa.Table:
        values = table[name].to_pylist()
        values[row] = value
        return put(name, lambda _: pa.array(values, table[name].type))(table)

    return change


KINDS = {
    "text": constant("12.0"),
    "bytes": constant(b"12"),
    "lists": constant([1.0, 2.0]),
    "structs": constant({"x": 1.0}),
    "maps": constant([("a", 1.0)], pa.map_(pa.string(), pa.float64())),
    "decimals": constant(Decimal("12.5")),
    "timestamps": constant(10**12, pa.timestamp("us", tz="Europe/Berlin")),
    "dates": constant(1, pa.date32()),
    "durations": constant(1, pa.duration("s")),
    "booleans": constant(True),
    "a dictionary": lambda rows: pa.array(["1"] * rows).dictionary_encode(),
}
FLOATS = ("time_s", "current_a", "motor_degc", "throttle_pct")
MISFITS = {
    **{f"{kind} for {name}": put(name, make) for name in FLOATS for kind, make in KINDS.items()},
    **{f"{kind} for an extra column": lambda table, make=make: table.append_column(
        "who", make(table.num_rows)) for kind, make in KINDS.items()
        if kind in ("lists", "structs", "maps", "decimals", "timestamps")},
    "text for valid": put("valid", constant("yes")),
    "numbers for phase": put("phase", constant(1)),
    "no time": lambda table: table.drop_columns(["time_s"]),
    "no phase": lambda table: table.drop_columns(["phase"]),
    "no valid": lambda table: table.drop_columns(["valid"]),
    "the current twice": lambda table: table.append_column("current_a", table["current_a"]),
    "the phase twice": lambda table: table.append_column("phase", table["phase"]),
    "no column at all": lambda table: table.select([]),
    "time nan": changed("time_s", 100, math.nan),
    "time null": changed("time_s", 100, None),
    "time infinite": changed("time_s", -1, math.inf),
    "time backwards": changed("time_s", 100, 0.0),
    "time of a thousand years": changed("time_s", -1, 3e10),
    "current infinite": changed("current_a", 100, math.inf),
    "current absurd": changed("current_a", 100, 3e38),
    "throttle infinite": changed("throttle_pct", 100, -math.inf),
}  # fmt: skip
ABOUT_ROWS = (
    "time nan", "time null", "time infinite", "time backwards", "time of", "current inf",
    "current abs", "throttle inf", "no time", "no valid", "for valid", "an extra",
)  # fmt: skip
"""Faults that leave the raw columns whole, so that they can be recalibrated."""

RAW = {
    "status beyond": put("status", constant(2**40)),
    "counts null": changed("shunt_count", 5, None),
    "counts beyond": put("shunt_count", constant(2**40)),
    "counts as floats": put("shunt_count", constant(1.5)),
    "sequence null": changed("sequence", 5, None),
    "tick beyond": put("tick", constant(2**62)),
    "throttle as text": put("throttle_pct", constant("x")),
    "no edges": lambda table: table.drop_columns(["edges"]),
}


def commands(path: Path, folder: Path) -> Iterator[tuple[str, list[str]]]:
    good = [str(other) for other in OTHERS]
    yield "show", ["show", str(path)]
    yield "show --json", ["show", str(path), "--json"]
    yield "compare", ["compare", str(path), *good, "--baseline", "early"]
    out = str(folder / "r.html")
    yield "limits", ["limits", str(path)]
    yield "report", ["report", str(path), *good, "--baseline", "early", "--out", out]
    yield "csv", ["export", str(path), str(folder / "x.csv")]
    yield "excel", ["export", str(path), str(folder / "x.xlsx")]


def one_message(arguments: list[str], path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    out, errors = capsys.readouterr()
    assert out == ""
    message = [line for line in errors.splitlines() if line.startswith("rig: ")]
    assert len(message) == 1, errors
    assert str(path) in message[0]


@pytest.mark.parametrize("misfit", MISFITS)
def test_what_is_no_course_of_a_run_ends_in_one_message(
    misfit: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path / "x.parquet", MISFITS[misfit](pq.read_table(GOOD)))
    for _, arguments in commands(path, tmp_path):
        one_message(arguments, path, capsys)
    if not any(words in misfit for words in ABOUT_ROWS):
        one_message(["recalibrate", str(path), "--stand", str(STAND)], path, capsys)
    assert main(["runs", str(tmp_path)]) == 0
    assert not [*tmp_path.glob("x.csv"), *tmp_path.glob("x.xlsx"), *tmp_path.glob("r.html")]


@pytest.mark.parametrize("misfit", RAW)
def test_raw_columns_that_no_board_sent_are_not_recalibrated(
    misfit: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path / "x.parquet", RAW[misfit](pq.read_table(GOOD)))
    one_message(["recalibrate", str(path), "--stand", str(STAND)], path, capsys)
    one_message(["limits", str(path)], path, capsys)


def test_text_that_is_no_text_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = pq.read_table(GOOD)
    buffers = pa.array([b"\xff\xfe"] * table.num_rows).buffers()
    broken = pa.Array.from_buffers(pa.string(), table.num_rows, buffers)
    path = written(tmp_path / "x.parquet", table.append_column("who", broken))
    for _, arguments in commands(path, tmp_path):
        one_message(arguments, path, capsys)


def test_a_reading_that_is_nan_is_not_known_as_one_that_is_null(tmp_path: Path) -> None:
    table = pq.read_table(GOOD)
    paths = [
        written(tmp_path / f"{value}.parquet", changed("current_a", 100, value)(table))
        for value in (None, math.nan)
    ]
    null, nan = (load(path).frame for path in paths)
    assert null.equals(nan)
    assert null["current_a"].isna()[100]


def bomb_of_rows(path: Path) -> None:
    """A few kilobytes that say they are 2 GB: a run of one number."""
    rows = MOST_CELLS // 3 + 1
    zeros = np.zeros(1_000_000)
    table = pa.table({"time_s": zeros, "valid": zeros == 0, "phase": ["running"] * len(zeros)})
    meta = pq.read_metadata(GOOD).metadata[META_KEY]
    with pq.ParquetWriter(path, table.schema, compression="zstd") as writer:
        for start in range(0, rows, len(zeros)):
            writer.write_table(table.slice(0, min(len(zeros), rows - start)))
        writer.add_key_value_metadata({META_KEY: meta})


def bomb_of_text(path: Path) -> None:
    """One long word behind a dictionary, in every row."""
    table = pq.read_table(GOOD)
    words = pa.DictionaryArray.from_arrays(
        pa.array([0] * table.num_rows, pa.int32()), pa.array(["x" * 10_000_000])
    )
    plain = table.append_column("who", words).replace_schema_metadata(None)
    schema = pa.schema([*table.schema, pa.field("who", pa.string())])
    meta = pq.read_metadata(GOOD).metadata[META_KEY]
    with pq.ParquetWriter(path, plain.schema, compression="zstd", store_schema=False) as writer:
        writer.write_table(plain)
        writer.add_key_value_metadata({META_KEY: meta})
    assert pq.read_schema(path).field("who").type == schema.field("who").type


@pytest.mark.parametrize("bomb", [bomb_of_rows, bomb_of_text])
def test_what_would_fill_the_memory_is_refused_before_it_does(
    bomb: Callable[[Path], None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "x.parquet"
    bomb(path)
    assert path.stat().st_size < 2_000_000
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for name, arguments in commands(path, tmp_path):
        # Row group by row group much may be written, and nothing fills the memory.
        if bomb is bomb_of_text or name not in ("csv", "excel"):
            one_message(arguments, path, capsys)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 200_000


values = st.integers(-(2**31) + 1, 2**31 - 1) | st.sampled_from([0, 1, 16_367, 16_368, -1])


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1), st.integers(0, 2**16 - 1),
            st.integers(0, 2**32 - 1), st.tuples(*[values] * 5),
        ),
        max_size=20,
    )
)  # fmt: skip
def test_whatever_a_board_sent_is_saved_and_can_be_read(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[int, int, int, int, tuple[int, ...]]],
) -> None:
    lines = [frame(Data(*fixed, 1, counts).body()) for *fixed, counts in rows]
    path = tmp_path_factory.mktemp("any") / "run.journal"
    journal = journals.written(path, [journals.begin(), journals.introduction(), *lines])
    try:
        load(convert(journal))
    except InputFileError as error:
        assert "lasts longer" in error.what
