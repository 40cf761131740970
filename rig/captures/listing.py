"""What lies in a folder of runs: captures, and journals that no capture was made of yet."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rig.captures.capture import Meta, read_meta
from rig.captures.introduction import JOURNAL, read_begin
from rig.errors import InputFileError, RigError

WANTS_SALVAGE = "a journal: rig salvage"


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
    """One row per capture, and per journal without one, by name, folders inside too.

    A file that cannot be read says so in its outcome. Raises InputFileError where there is
    no such folder.
    """
    if not folder.is_dir():
        raise InputFileError("there is no such folder", where=str(folder))
    captures = [path for path in folder.rglob("*.parquet") if not path.name.startswith(".")]
    made_of = {path.with_name(re.sub(r"(_[0-9]+)?\.parquet$", "", path.name)) for path in captures}
    made_of |= {path.with_suffix("") for path in captures}
    journals = [path for path in folder.rglob(f"*{JOURNAL}") if path.with_suffix("") not in made_of]
    return [_row(path) for path in sorted([*captures, *journals])]


def _row(path: Path) -> Row:
    try:
        if path.suffix == JOURNAL:
            meta = Meta.from_dict({**read_begin(path), "outcome": WANTS_SALVAGE})
        else:
            meta = read_meta(path)
    except RigError as error:
        return Row(path, "", 0, "", None, f"unreadable: {error.what}")
    return Row(path, meta.setup, meta.run, meta.utc, meta.seconds, meta.outcome)
