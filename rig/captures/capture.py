"""A capture as a reader finds it: a table, and what is known about it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from rig.errors import InputFileError

SCHEMA = 1
META_KEY = b"rig"


@dataclass(frozen=True, slots=True)
class Meta:
    """What is known about a run. Tables inside are as the journal had them."""

    setup: str = ""
    run: int = 0
    campaign: str = ""
    notes: str = ""
    utc: str = ""
    outcome: str = ""
    exit_code: int | None = None
    cause: str = ""
    rows: int = 0
    seconds: float | None = None
    stand: dict[str, Any] = field(default_factory=dict)
    plan: dict[str, Any] = field(default_factory=dict)
    port: str = ""
    host: dict[str, Any] = field(default_factory=dict)
    hello: str = ""
    channels: list[str] = field(default_factory=list)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)
    states: list[dict[str, Any]] = field(default_factory=list)
    told: list[dict[str, Any]] = field(default_factory=list)
    statistics: dict[str, Any] = field(default_factory=dict)
    schema: int = SCHEMA

    def as_dict(self) -> dict[str, Any]:
        """Fit for JSON."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True)
class Capture:
    """One run. `frame` has a row per line of the board, columns with their unit in the name.

    Table and knowledge are kept apart because pandas forgets `DataFrame.attrs` in many of
    its own operations.
    """

    frame: pd.DataFrame
    meta: Meta


def load(path: str | Path) -> Capture:
    """Read a capture. Raises InputFileError for anything that is not one."""
    path = Path(path)
    meta = read_meta(path)
    try:
        frame = pq.read_table(path).to_pandas()
    except (OSError, pa.ArrowException) as error:
        raise _unreadable(path, str(error)) from error
    return Capture(frame, meta)


def read_meta(path: Path) -> Meta:
    """Only what is known about a run: the file's last kilobytes. Raises InputFileError."""
    try:
        with pq.ParquetFile(path) as file:
            raw = (file.metadata.metadata or {}).get(META_KEY)
    except FileNotFoundError as error:
        raise InputFileError("there is no such file", where=str(path)) from error
    except (OSError, pa.ArrowException) as error:
        raise _unreadable(path, str(error)) from error
    if raw is None:
        raise InputFileError("Parquet, but not a capture of ours", where=str(path))
    try:
        content = json.loads(raw)
        known = {key: content[key] for key in content if key in Meta.__dataclass_fields__}
        meta = Meta(**known)
        version = int(meta.schema)
    except (ValueError, TypeError) as error:
        raise _unreadable(path, "its description is damaged") from error
    if version > SCHEMA:
        raise InputFileError(
            f"a capture of schema {version}, this program knows {SCHEMA}",
            where=str(path),
            to_do="Update this program.",
        )
    return meta


def _unreadable(path: Path, reason: str) -> InputFileError:
    short = ascii(reason.splitlines()[0] if reason else "unknown")[1:-1][:160]
    return InputFileError(
        f"not a capture that can be read: {short}",
        where=str(path),
        to_do="A capture is a .parquet file; of a .journal, `rig salvage` makes one.",
    )
