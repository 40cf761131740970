"""Captures for other programs: CSV and Excel, the unit in each head.

A spreadsheet takes a text cell that begins with = + - @ or a control character for a
formula. Text here comes from boards and operators, so such a cell gets an apostrophe in
front (OWASP, "CSV Injection"). Numbers are left as they are.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from rig.captures.capture import Meta, load, read_meta
from rig.captures.files import write_new
from rig.errors import InputFileError

MOST_EXCEL_ROWS = 1_048_576
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def export_csv(capture: Path, out: Path) -> Path:
    """Write the table of `capture` to `out`; an existing file is not replaced."""
    read_meta(capture)

    def write(file: BinaryIO) -> None:
        with pq.ParquetFile(capture) as source:
            heads = [_head(field.name, _unit(field)) for field in source.schema_arrow]
            file.write((",".join(map(_quoted, heads)) + "\n").encode())
            options = pa_csv.WriteOptions(include_header=False)
            for batch in source.iter_batches():
                table = pa.Table.from_batches([batch])
                at = table.schema.get_field_index("phase")
                words = [_safe(word) for word in table.column("phase").to_pylist()]
                table = table.set_column(at, "phase", pa.array(words))
                pa_csv.write_csv(table, file, options)

    return write_new(out, write)


def export_excel(capture: Path, out: Path) -> Path:
    """Write `capture` to `out`, the table on one sheet and what is known on another.

    Raises InputFileError for more rows than a sheet holds.
    """
    whole = load(capture)
    if len(whole.frame) >= MOST_EXCEL_ROWS:
        raise InputFileError(
            f"{len(whole.frame)} rows, an Excel sheet holds {MOST_EXCEL_ROWS} with its head",
            where=str(capture),
            to_do="Export it as .csv.",
        )
    units = {f.name: _unit(f) for f in pq.read_schema(capture)}

    def write(file: BinaryIO) -> None:
        book = Workbook(write_only=True)
        sheet = book.create_sheet("run")
        sheet.append([_head(name, units[name]) for name in whole.frame.columns])
        frame = whole.frame.astype(object).where(whole.frame.notna(), None)
        for row in frame.itertuples(index=False):
            sheet.append([_safe(cell) if isinstance(cell, str) else cell for cell in row])
        about = book.create_sheet("about")
        for name, value in _about(whole.meta):
            about.append([name, value])
        book.save(file)

    return write_new(out, write)


def _about(meta: Meta) -> list[tuple[str, str]]:
    return [
        (name, _safe(value if isinstance(value, str) else json.dumps(value))[:32_000])
        for name, value in meta.as_dict().items()
    ]


def _safe(text: str) -> str:
    """`text` as a cell that no spreadsheet takes for a formula."""
    clean = ILLEGAL_CHARACTERS_RE.sub("?", text)
    return f"'{clean}" if clean.startswith(_STARTS_FORMULA) else clean


def _head(name: str, unit: str) -> str:
    return _safe(f"{name} [{unit}]" if unit else name)


def _unit(field: pa.Field) -> str:
    return str((field.metadata or {}).get(b"unit", b"").decode())


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'
