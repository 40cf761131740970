"""A capture as a reader finds it: a table, and what is known about it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from rig.captures.checked import check_rows, check_table
from rig.captures.description import known_pairs
from rig.captures.files import check_file
from rig.errors import InputFileError

if TYPE_CHECKING:  # only `load` needs pandas, which takes long to import
    import pandas as pd

SCHEMA = 1
META_KEY = b"rig"
AMENDMENT = ("utc", "what", "old", "new")


@dataclass(frozen=True, slots=True)
class Meta:
    """What is known about a run.

    `alarms`, `marks`, `states` and `told` (commands) are tables as the journal had them,
    each with `time_s`, its place on the table's time scale (None before the first row), and
    `host_s`, seconds since the recorder began. `stand` is what `stand_from_dict` takes.
    """

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
    pairs: dict[str, Any] = field(default_factory=dict)
    """Free pairs of the tester's, such as `pack: P1`; keys and values are text."""
    stop_proof: dict[str, Any] = field(default_factory=dict)
    """What was known of the stop before the run; see `rig.stop_proof`."""
    amendments: list[dict[str, Any]] = field(default_factory=list)
    """What was corrected afterwards: `utc`, `what` (setup, notes, or a pair's key after
    "with "), `old` and `new`, all text."""
    schema: int = SCHEMA
    identity: str = ""
    """The same for all exact copies of a run's raw content; see `rig.captures.identity`."""
    filed: str = ""
    """When (UTC) a log without a begin time began, by its file's time and its length."""
    calibrated: str = ""
    """When (UTC) the physical columns were computed anew; empty for those of the run itself."""

    @property
    def throttle(self) -> tuple[tuple[float, float], ...]:
        """The planned steps (percent, seconds); none where the file has something else there."""
        try:
            steps = self.plan.get("throttle") or []
            return tuple((float(percent), float(seconds)) for percent, seconds in steps)
        except (TypeError, ValueError):
            return ()

    @property
    def events(self) -> list[tuple[float | None, str]]:
        """Marks, and alarms with their severity, by time in seconds on the table's scale."""
        found = [(mark["time_s"], str(mark["text"])) for mark in self.marks]
        found += [(a["time_s"], f"{a['severity']}: {a['text']}") for a in self.alarms]
        return sorted(found, key=lambda event: -1.0 if event[0] is None else event[0])

    def events_from(self, zero_s: float | None) -> list[tuple[float | None, str]]:
        """`events` with times from `zero_s`, on the table's scale; without it none has a time."""
        return [
            (None if time_s is None or zero_s is None else time_s - zero_s, text)
            for time_s, text in self.events
        ]

    @property
    def amended(self) -> str:
        """When (UTC) the description was last corrected; empty where it was not."""
        return max((str(entry["utc"]) for entry in self.amendments), default="")

    @property
    def first_setup(self) -> str:
        """The setup under which the run was made and numbered, before any correction of it."""
        olds = (str(entry["old"]) for entry in self.amendments if entry["what"] == "setup")
        return next(olds, self.setup)

    @property
    def clock(self) -> tuple[str, float | None]:
        """The id of the computer's boot, and by how many s the wall clock was ahead of the clock
        since that boot; empty and None where they were not kept."""
        boot, wall_s, boot_s = (self.host.get(key) for key in ("boot", "wall_s", "boot_s"))
        if not (isinstance(boot, str) and _is_kind(wall_s, "float") and _is_kind(boot_s, "float")):
            return "", None
        ahead_s = float(wall_s) - float(boot_s)  # type: ignore[arg-type]
        return (boot, ahead_s) if math.isfinite(ahead_s) else ("", None)

    @property
    def limits(self) -> dict[str, Any]:
        """The limits as they were."""
        limits = self.stand.get("limits")
        return limits if isinstance(limits, dict) else {}

    @classmethod
    def from_dict(cls, content: dict[str, Any]) -> Meta:
        """From JSON that anyone may have written: what is not of its kind is left out."""
        right = {
            known.name: content[known.name]
            for known in fields(cls)
            if _is_kind(content.get(known.name), str(known.type))
        }
        for name, words in _WORDS.items():
            right[name] = [_event(entry, words) for entry in right.get(name, [])]
        right["pairs"] = known_pairs(right.get("pairs"))
        right["amendments"] = [
            {word: str(entry.get(word, "")) for word in AMENDMENT}
            for entry in right.get("amendments", [])
        ]
        return cls(**right)

    def as_dict(self) -> dict[str, Any]:
        """Fit for JSON."""
        return {known.name: getattr(self, known.name) for known in fields(self)}


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
        with _opened(path) as file:
            check_table(file, path, at_once=True)
            table = file.read()
            table.validate(full=True)
            check_rows(table, path)
            frame = table.to_pandas()
    except (OSError, pa.ArrowException) as error:
        raise _unreadable(path, error) from error
    return Capture(frame, meta)


def read_meta(path: Path) -> Meta:
    """Only what is known about a run: the file's last kilobytes. Raises InputFileError."""
    check_file(path)
    return read_description(path)[0]


def read_description(path: Path) -> tuple[Meta, dict[str, Any]]:
    """The same, and the JSON as it stands in the file. Raises InputFileError.

    `path` is a regular file, also one that is not yet under its name.
    """
    raw = read_metadata(path).get(META_KEY)
    if raw is None:
        raise InputFileError("Parquet, but not a capture of ours", where=str(path))
    try:
        content = finite(json.loads(raw))
        meta = Meta.from_dict(content)
    except (ValueError, AttributeError, RecursionError) as error:
        raise InputFileError("its description is damaged", where=str(path)) from error
    if meta.schema > SCHEMA:
        raise InputFileError(
            f"a capture of schema {meta.schema}, this program knows {SCHEMA}",
            where=str(path),
            to_do="Update this program.",
        )
    return meta, content


def read_metadata(path: Path) -> dict[bytes, bytes]:
    """All entries of the file's metadata. Raises InputFileError."""
    try:
        with _opened(path) as file:
            found: dict[bytes, bytes] = file.metadata.metadata or {}
    except (OSError, pa.ArrowException) as error:
        raise _unreadable(path, error) from error
    return found


def read_schema(path: Path) -> pa.Schema:
    """The columns of a capture, their units in the field metadata. Raises InputFileError."""
    try:
        with _opened(path) as file:
            return file.schema_arrow
    except (OSError, pa.ArrowException) as error:
        raise _unreadable(path, error) from error


def batches(path: Path, columns: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
    """The table of a capture, one row group at a time. Raises InputFileError."""
    try:
        with _opened(path) as file:
            check_table(file, path, at_once=False)
            missing = set(columns or ()) - set(file.schema_arrow.names)
            if missing:
                what = f"it lacks columns: {', '.join(sorted(missing))}"
                raise InputFileError(what, where=str(path))
            for group in range(file.num_row_groups):
                # One thread: more are no faster here, and hoard memory.
                table = file.read_row_group(group, columns=columns, use_threads=False)
                table.validate(full=True)
                yield from table.combine_chunks().to_batches()
    except (OSError, pa.ArrowException) as error:
        raise _unreadable(path, error) from error


def _opened(path: Path) -> pq.ParquetFile:
    return pq.ParquetFile(path, pre_buffer=False, page_checksum_verification=True)


def finite(value: Any) -> Any:
    """`value` with nan and infinity, which JSON does not know, as None."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite(entry) for key, entry in value.items()}
    return [finite(entry) for entry in value] if isinstance(value, list) else value


_WORDS = {
    "alarms": ("severity", "quantity", "cause", "text"),
    "marks": ("text",),
    "states": ("state", "cause"),
    "told": ("line",),
}
_KINDS: dict[str, tuple[type, ...]] = {"str": (str,), "int": (int,), "float": (int, float)}


def _is_kind(value: Any, annotation: str) -> bool:
    """Whether a JSON value fits a field of `Meta`."""
    kind = annotation.removesuffix(" | None")
    if kind.startswith("list["):
        entry = dict if "dict" in kind else str
        return isinstance(value, list) and all(isinstance(item, entry) for item in value)
    if kind.startswith("dict["):
        return isinstance(value, dict)
    return isinstance(value, _KINDS[kind]) and not isinstance(value, bool)


def _event(entry: dict[str, Any], words: Sequence[str]) -> dict[str, Any]:
    """An event on which readers can rely: its words are text, its time a number or None."""
    time_s = entry.get("time_s")
    return {
        **entry,
        **{word: str(entry.get(word, "")) for word in words},
        "time_s": time_s if _is_kind(time_s, "float") else None,
    }


def _unreadable(path: Path, error: Exception) -> InputFileError:
    if isinstance(error, FileNotFoundError):
        return InputFileError("there is no such file", where=str(path))
    if isinstance(error, PermissionError | IsADirectoryError):
        return InputFileError((error.strerror or "it may not be read").lower(), where=str(path))
    reason = str(error).splitlines()[0] if str(error) else "unknown"
    return InputFileError(
        f"not a capture that can be read: {ascii(reason)[1:-1][:160]}",
        where=str(path),
        to_do="A capture is a .parquet file; of a .journal, `rig salvage` makes one.",
    )
