"""What lies in a folder of runs: captures, and journals that no capture was made of yet."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rig.captures.capture import read_meta
from rig.errors import InputFileError, RigError


@dataclass(frozen=True, slots=True)
class Row:
    """One file, in a line."""

    path: Path
    setup: str
    run: int
    utc: str
    seconds: float | None
    outcome: str

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return asdict(self) | {"path": str(self.path)}


def list_captures(folder: Path) -> list[Row]:
    """One row per file, by name. A file that cannot be read says so in its outcome."""
    if not folder.is_dir():
        raise InputFileError("there is no such folder", where=str(folder))
    found = [*folder.rglob("*.parquet"), *folder.rglob("*.journal")]
    return [_row(path) for path in sorted(found) if not path.name.startswith(".")]


def _row(path: Path) -> Row:
    if path.suffix == ".journal":
        return Row(path, "", 0, "", None, "a journal: rig salvage")
    try:
        meta = read_meta(path)
    except RigError as error:
        return Row(path, "", 0, "", None, f"unreadable: {error.what}")
    return Row(path, meta.setup, meta.run, meta.utc, meta.seconds, meta.outcome)
