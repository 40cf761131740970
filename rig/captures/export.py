"""Captures for other programs: CSV and Excel, the unit in each head.

A spreadsheet takes a text cell that begins with = + - @ or a control character for a
formula. Text here comes from boards and operators, so such a cell gets an apostrophe in
front (OWASP, "CSV Injection"), also in the middle, behind what separates cells where a comma is
the decimal sign. Numbers are left as they are.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.csv as pa_csv
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from rig.captures.capture import Meta, batches, read_meta, read_schema
from rig.captures.checked import check_names, check_rows, is_text
from rig.captures.files import write_new
from rig.errors import InputFileError

MOST_EXCEL_ROWS = 1_048_576
LONGEST_EXCEL_TEXT = 32_767
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # noqa: RUF001

_FORMULA_BEHIND = re.compile(r"""(?<=[;\t\r\n])(?=["']*[=+\-@＝＋－＠])""")  # noqa: RUF001
"""Where a formula would begin if `;` or a tab separated cells, as in many countries."""


def export_csv(capture: Path, out: Path) -> Path:
    """Write the table of `capture` to `out`, and what is known about the run beside it.

    The latter is a second CSV file, `out` with `.about.csv`. Existing files are not
    replaced; gives the name that the table got. Raises InputFileError, DiskError.
    """
    meta, heads = read_meta(capture), _heads(capture)

    def write(file: BinaryIO) -> None:
        file.write(_csv_row(heads))
        options = pa_csv.WriteOptions(include_header=False)
        for batch in _checked(capture):
            pa_csv.write_csv(_with_safe_text(batch), file, options)

    written = write_new(out, write)
    about = b"".join(_csv_row(row) for row in _about(meta))
    write_new(written.with_suffix(".about.csv"), lambda file: file.write(about))
    return written


def export_excel(capture: Path, out: Path) -> Path:
    """Write `capture` to `out`, the table on one sheet and what is known on another.

    Raises InputFileError for more rows than a sheet holds, DiskError.
    """
    meta, heads = read_meta(capture), _heads(capture)
    if meta.rows >= MOST_EXCEL_ROWS:
        raise InputFileError(
            f"{meta.rows:,} rows are too many: an Excel sheet holds {MOST_EXCEL_ROWS:,}, "
            "its head included",
            where=str(capture),
            to_do="Export it as .csv.",
        )

    def write(file: BinaryIO) -> None:
        book = Workbook(write_only=True)
        sheet = book.create_sheet("run")
        # Closed also when the capture turns out to be damaged: openpyxl would complain later.
        with closing(sheet):
            sheet.append(heads)
            for row in _rows(capture):
                sheet.append(row)
        about = book.create_sheet("about")
        for name, value in _about(meta):
            about.append([name, value[:LONGEST_EXCEL_TEXT]])
        book.save(file)

    return write_new(out, write)


def safe_cell(text: str) -> str:
    """`text` as a cell that no spreadsheet takes for a formula, without control characters."""
    clean = _FORMULA_BEHIND.sub("'", ILLEGAL_CHARACTERS_RE.sub("?", text))
    return f"'{clean}" if clean.startswith(_STARTS_FORMULA) else clean


def _heads(capture: Path) -> list[str]:
    heads = []
    schema = read_schema(capture)
    check_names(schema.names, capture)
    for column in schema:
        unit = (column.metadata or {}).get(b"unit", b"").decode(errors="replace")
        heads.append(safe_cell(f"{column.name} [{unit}]" if unit else column.name))
    return heads


def _about(meta: Meta) -> Iterator[tuple[str, str]]:
    """What is known, a line each; tables as JSON."""
    for name, value in meta.as_dict().items():
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        number = isinstance(value, int | float)
        yield name, text if number else safe_cell(text)


def _checked(capture: Path) -> Iterator[pa.RecordBatch]:
    last_s = -math.inf
    for batch in batches(capture):
        last_s = check_rows(batch, capture, last_s)
        yield batch


def _rows(capture: Path) -> Iterator[list[Any]]:
    for batch in _checked(capture):
        columns = [_cells(column) for column in _with_safe_text(batch).columns]
        yield from map(list, zip(*columns, strict=True))


def _cells(column: pa.ChunkedArray) -> list[Any]:
    values: list[Any] = column.to_pylist()
    if pa.types.is_float32(column.type):
        # The digits that float32 has, not those that its widening to float64 makes up.
        return [None if value is None else float(f"{value:.7g}") for value in values]
    return values


def _with_safe_text(batch: pa.RecordBatch) -> pa.Table:
    table = pa.Table.from_batches([batch])
    for index, column in enumerate(table.schema):
        if is_text(column.type):
            words = [_safe_word(word) for word in table.column(index).to_pylist()]
            table = table.set_column(index, column.name, pa.array(words, pa.string()))
    return table


def _safe_word(word: str | bytes | None) -> str | None:
    text = word.decode("utf-8", "replace") if isinstance(word, bytes) else word
    return text and safe_cell(text)


def _csv_row(cells: list[str] | tuple[str, ...]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue().encode()
