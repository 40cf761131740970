"""The table of a capture: its columns, their units and encodings, and how rows get into it.

Physical columns are float32: that resolves 6e-8 of a reading, far below any converter step,
and the raw counts beside them are exact. Time is float64, since an hour in microseconds
does not fit in float32. A reading that is not known is null, not NaN, which DuckDB and
polars would take for a number.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from rig.captures.capture import META_KEY, Meta, batches
from rig.captures.checked import check_raw
from rig.captures.identity import COUNTERS, SKETCH_KEY, Fingerprint
from rig.captures.names import count_columns
from rig.errors import DiskError
from rig.protocol.records import FIXED_DATA_FIELDS, Channel
from rig.stand.quantities import unit_of
from rig.stand.sampler import Sampler
from rig.vocabulary import PHASES, UNKNOWN_PHASE

ROWS_AT_ONCE = 65_536
"""A row group; all that is in memory at one time."""

Ints = NDArray[np.int64]


def phase_code(word: str) -> int:
    """The place of a state's word in PHASES."""
    return PHASES.index(word if word in PHASES else UNKNOWN_PHASE)


class TableWriter:
    """A Parquet file in the making, to be used in a `with` statement."""

    def __init__(self, file: BinaryIO, sampler: Sampler, channels: Sequence[Channel]) -> None:
        self._sampler = sampler
        self._counts = count_columns(channel.label for channel in channels)
        self._schema = _schema(sampler.columns, self._counts, channels)
        self._writer = parquet_writer(file, self._schema)
        self._fingerprint = Fingerprint()

    def write(
        self, fields: Ints, counters: Ints, phases: NDArray[np.int8], throttle_pct: Any
    ) -> NDArray[np.float64]:
        """Add one row group; gives the times of its rows in seconds.

        `fields` has shape (rows, 5 + channels); of it only status and counts are used.
        `counters` has shape (rows, 4), unwrapped; `phases` are codes by `phase_code`.
        """
        self._fingerprint.add(counters, fields[:, FIXED_DATA_FIELDS - 1 :])
        _, tick, edges, edge_tick = counters.T
        columns: dict[str, Any] = dict(self._sampler.columns_of(fields, tick, edges, edge_tick))
        columns |= {
            "throttle_pct": throttle_pct,
            "phase": pa.DictionaryArray.from_arrays(pa.array(phases), pa.array(PHASES)),
            "status": fields[:, FIXED_DATA_FIELDS - 1],
        }
        columns |= dict(zip(self._counts, fields[:, FIXED_DATA_FIELDS:].T, strict=True))
        columns |= dict(zip(COUNTERS, counters.T, strict=True))
        arrays = [_array(columns[field.name], field.type) for field in self._schema]
        table = pa.Table.from_arrays(arrays, schema=self._schema)
        self._writer.write_table(table, row_group_size=ROWS_AT_ONCE)
        times_s: NDArray[np.float64] = columns["time_s"]
        return times_s

    def describe(self, meta: Meta) -> None:
        """Put in what is known about the run, identity included; the last thing before the end."""
        identity = self._fingerprint.identity(meta)
        content = replace(meta, identity=identity.digest).as_dict()
        describe(self._writer, content, {SKETCH_KEY: identity.sketch.encode()})

    def __enter__(self) -> TableWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self._writer.close()


def parquet_writer(file: BinaryIO, schema: Any) -> pq.ParquetWriter:
    """A writer of captures, each column encoded as suits its kind."""
    encodings = {"time_s": ("BYTE_STREAM_SPLIT", pa.float64())}
    encodings |= dict.fromkeys(COUNTERS, ("DELTA_BINARY_PACKED", pa.int64()))
    encoded = {
        field.name: encodings[field.name][0]
        for field in schema
        if field.name in encodings and field.type == encodings[field.name][1]
    }
    return pq.ParquetWriter(
        file,
        schema,
        compression="zstd",
        use_dictionary=[name for name in schema.names if name not in ("valid", *encoded)],
        column_encoding=encoded,
        write_page_checksum=True,
    )


def describe(
    writer: pq.ParquetWriter, content: dict[str, Any], other: Mapping[bytes, bytes]
) -> None:
    """Put in what is known about a run, and the file's other metadata."""
    text = json.dumps(content, allow_nan=False)
    writer.add_key_value_metadata({**other, META_KEY: text.encode()})


def read_back(path: Path, expected: int) -> None:
    """Read a new file whole, page checksums and all. Raises DiskError unless it is as written."""
    rows = sum(batch.num_rows for batch in batches(path))
    if rows != expected:
        raise DiskError(
            f"the file read back has {rows} rows in place of {expected}", where=str(path)
        )


def raw_rows(
    path: Path, channels: Sequence[Channel]
) -> Iterator[tuple[Ints, Ints, NDArray[np.int8], Any]]:
    """The raw part of a capture, as `TableWriter.write` takes it. Raises InputFileError."""
    names = [*COUNTERS, "status", *count_columns(channel.label for channel in channels)]
    for batch in batches(path, [*names, "phase", "throttle_pct"]):
        check_raw({name: batch[name] for name in names}, names[5:], path)
        fields = np.column_stack([batch[name].to_numpy().astype(np.int64) for name in names])
        words = batch["phase"].to_pylist()
        codes = np.fromiter((phase_code(str(word)) for word in words), np.int8, len(words))
        yield fields, fields[:, : len(COUNTERS)], codes, batch["throttle_pct"]


def _schema(physical: Sequence[str], counts: Sequence[str], channels: Sequence[Channel]) -> Any:
    return pa.schema(
        [
            _field("time_s", pa.float64()),
            *[_field(name, pa.float32()) for name in physical],
            _field("throttle_pct", pa.float32()),
            _field("valid", pa.bool_()),
            _field("phase", pa.dictionary(pa.int8(), pa.string())),
            _field("status", pa.uint16()),
            *[
                _field(name, pa.int32(), unit="count", label=channel.label)
                for name, channel in zip(counts, channels, strict=True)
            ],
            _field("sequence", pa.int64()),
            _field("tick", pa.int64(), unit="tick"),
            _field("edges", pa.int64()),
            _field("edge_tick", pa.int64(), unit="tick"),
        ]
    )


def _field(name: str, kind: Any, *, unit: str | None = None, label: str = "") -> Any:
    notes = {b"unit": (unit_of(name) if unit is None else unit).encode()}
    if label:
        notes[b"label"] = label.encode()
    return pa.field(name, kind, metadata=notes)


def _array(values: Any, kind: Any) -> Any:
    if isinstance(values, pa.Array):
        return values.cast(kind)
    return pa.array(values, from_pandas=True).cast(kind, safe=not pa.types.is_float32(kind))
