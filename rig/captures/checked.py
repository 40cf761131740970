"""Is a Parquet file fit to be read as a capture? Anyone may have written it.

The table is judged by the file's footer before any of it is read: its columns by name and kind,
and how much memory it would fill. The rows are judged once they are there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from rig.errors import InputFileError
from rig.stand.quantities import unit_of

MOST_CELLS = 250_000_000
"""Rows times columns read at once: with 25 columns 10 million rows, 28 hours at 100 lines/s."""

MOST_TEXT_BYTES = 2**31
"""Of all text read at once."""

LONGEST_S = 14 * 86_400.0
"""From a capture's first row to its last."""

LARGEST_READING = 1e12
"""No stand measures more, and its square still fits into a float."""

NEEDED = ("time_s", "phase", "valid")
_INTEGERS = ("status", "sequence", "tick", "edges", "edge_tick")


def check_table(file: pq.ParquetFile, path: Path, *, at_once: bool) -> None:
    """Raises InputFileError for columns or a size that no capture has. Reads only the footer.

    `at_once` says that the whole table will be in memory, and not one row group at a time.
    """
    schema = file.schema_arrow
    for name, times in Counter(schema.names).items():
        if times > 1:
            raise _damaged(path, f"it has column {name!r} {times} times")
    for field in schema:
        wanted = _misfit(field.name, field.type)
        if wanted:
            raise _damaged(path, f"column {field.name!r} holds {field.type}, not {wanted}")
    _check_size(file, path, at_once)


def check_names(names: Sequence[str], path: Path) -> None:
    """Raises InputFileError where a column is missing that every capture has."""
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise _damaged(path, f"it lacks columns: {', '.join(missing)}")


def check_rows(table: pa.Table | pa.RecordBatch, path: Path, after_s: float = -np.inf) -> float:
    """Raises InputFileError for rows that are no course of a run, or do not follow `after_s`.

    Gives the time of the last row. A reading that is null or nan counts as not known.
    """
    check_names(table.schema.names, path)
    time_s = _numbers(table["time_s"])
    if not np.isfinite(time_s).all():
        raise _damaged(path, "column 'time_s' has rows without a time")
    steps_s = np.diff(time_s, prepend=after_s)
    if (steps_s < 0.0).any():
        raise _damaged(path, f"column 'time_s' runs backwards at {time_s[steps_s.argmin()]:g} s")
    if len(time_s) and time_s[-1] - time_s[0] > LONGEST_S:
        raise _damaged(path, f"it lasts longer than {LONGEST_S / 86_400.0:.0f} days")
    for name in table.schema.names:
        if unit_of(name) and (np.abs(_numbers(table[name])) > LARGEST_READING).any():
            raise _damaged(path, f"column {name!r} has a value that no stand measures")
    return float(time_s[-1]) if len(time_s) else after_s


def check_raw(columns: dict[str, pa.Array], counts: Iterable[str], path: Path) -> None:
    """Raises InputFileError for raw columns that no board sent: null, or beyond their range."""
    limits = {"status": (0, 2**16 - 1)} | dict.fromkeys(counts, (-(2**31), 2**31 - 1))
    for name, column in columns.items():
        lowest, highest = limits.get(name, (-(2**53), 2**53))
        values = column.to_numpy(zero_copy_only=False)
        if column.null_count or (values < lowest).any() or (values > highest).any():
            raise _damaged(path, f"column {name!r} has a value that no board sends")


def _numbers(column: pa.Array | pa.ChunkedArray) -> NDArray[np.float64]:
    values: NDArray[np.float64] = column.to_numpy(zero_copy_only=False).astype(float, copy=False)
    return values


def is_text(kind: Any) -> bool:
    """Whether an Arrow type holds text or bytes, directly or by a dictionary."""
    if pa.types.is_dictionary(kind):
        return is_text(kind.value_type)
    return any(is_kind(kind) for is_kind in _TEXT)


_TEXT = (
    pa.types.is_string,
    pa.types.is_large_string,
    pa.types.is_string_view,
    pa.types.is_binary,
    pa.types.is_large_binary,
    pa.types.is_binary_view,
    pa.types.is_fixed_size_binary,
)


def _misfit(name: str, kind: Any) -> str:
    """What a column of that name must hold, where `kind` is something else."""
    is_integer, is_bool = pa.types.is_integer(kind), pa.types.is_boolean(kind)
    is_number = is_integer or pa.types.is_floating(kind)
    if name == "phase":
        return "" if is_text(kind) else "text"
    if name == "valid":
        return "" if is_bool else "true or false"
    if name in _INTEGERS or name.endswith("_count"):
        return "" if is_integer else "integers"
    if unit_of(name):
        return "" if is_number else "numbers"
    return "" if is_number or is_bool or is_text(kind) else "numbers or text"


def _check_size(file: pq.ParquetFile, path: Path, at_once: bool) -> None:
    rows = text = most_rows = most_text = 0
    texts = [index for index, field in enumerate(file.schema_arrow) if is_text(field.type)]
    for number in range(file.metadata.num_row_groups):
        group = file.metadata.row_group(number)
        if not at_once:
            rows = text = 0
        rows += group.num_rows
        for index in texts:
            kept_once = _is_kept_once(file.schema_arrow.field(index))
            text += _text_bytes(group.column(index), kept_once=kept_once)
        most_rows, most_text = max(most_rows, rows), max(most_text, text)
    columns = file.metadata.num_columns
    if most_rows * columns > MOST_CELLS:
        raise _too_large(path, f"{most_rows:,} rows of {columns} columns")
    if most_text > MOST_TEXT_BYTES:
        raise _too_large(path, f"text that may fill {most_text / 2**30:.0f} GiB")


def _is_kept_once(field: pa.Field) -> bool:
    return bool(pa.types.is_dictionary(field.type))


def _text_bytes(chunk: Any, *, kept_once: bool) -> int:
    """The most memory that the text of a chunk can fill.

    Text behind a dictionary is in the file once, and in memory in every row that has it.
    """
    size = int(chunk.total_uncompressed_size)
    repeated = any("DICTIONARY" in encoding for encoding in chunk.encodings)
    return size * int(chunk.num_values) if repeated and not kept_once else size


def _damaged(path: Path, what: str) -> InputFileError:
    return InputFileError(
        f"not a capture that can be read: {what}",
        where=str(path),
        to_do="Its journal, if it was kept, gives it anew: `rig salvage`.",
    )


def _too_large(path: Path, what: str) -> InputFileError:
    return InputFileError(
        f"too large to be read: {what}",
        where=str(path),
        to_do=f"At most {MOST_CELLS:,} values and {MOST_TEXT_BYTES // 2**30} GiB of text are read.",
    )
