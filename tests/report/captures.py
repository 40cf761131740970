"""Captures with other words in them than any stand of ours would write."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rig.captures.capture import META_KEY

SAMPLES = Path(__file__).parents[2] / "sample_captures"
HOSTILE = "<script>alert('x')</script> \"&\" | \u202eabc \x1b[31m\x07 עברית"
HOSTILE_COLUMN = "</svg><b>\"&'\u202e_degc"


def hostile(folder: Path, copies: int) -> Path:
    """The samples, `copies` times over, `early` renamed, a column of another name, small groups."""
    for source in SAMPLES.glob("*_0[1-5].parquet"):
        file = pq.ParquetFile(source)
        meta = json.loads(file.metadata.metadata[META_KEY])
        if meta["setup"] == "early":
            meta["setup"] = HOSTILE
        table = file.read()
        table = table.append_column(HOSTILE_COLUMN, table["motor_degc"])
        for copy in range(copies):
            board = meta["hello"].split(",")
            board[4] = str((int(board[4]) + copy) % 2**16)  # another boot makes it another run
            write(folder / f"{copy}_{source.name}", table, meta | {"hello": ",".join(board)})
    return folder


def steps(path: Path, group: int) -> Path:
    """10 s at 100 lines a second: 2 s at rest, 40 % from 2 s, 70 % from 5 s, at rest from 8 s.

    Speed is the number of the line. There are no lines from 6 s to 7 s, and those of the tenth
    before are not valid.
    """
    line = np.delete(np.arange(1000), np.s_[600:700])
    time_s = line / 100.0
    running = (time_s >= 2.0) & (time_s < 8.0)
    table = pa.table(
        {
            "time_s": time_s,
            "speed_rpm": line.astype(float),
            "throttle_pct": np.where(running, np.where(time_s < 5.0, 40.0, 70.0), np.nan),
            "valid": (time_s < 5.9) | (time_s >= 6.0),
            "phase": np.where(running, "running", "ready").tolist(),
        }
    )
    write(path, table, {"setup": "early"}, group)
    return path


def write(path: Path, table: pa.Table, meta: dict[str, object], group: int = 300) -> None:
    """A capture in groups of `group` rows."""
    with pq.ParquetWriter(path, table.schema) as writer:
        writer.write_table(table, row_group_size=group)
        writer.add_key_value_metadata({META_KEY: json.dumps(meta).encode()})
