"""What lies in a folder of runs: captures, and journals that no capture was made of yet."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from rig.captures.capture import Meta, read_meta
from rig.captures.introduction import JOURNAL, read_begin
from rig.errors import InputFileError, RigError

NEWEST = 200
"""Captures that are searched for known setups: 0.1 s."""

WANTS_SALVAGE = "a journal: rig salvage"


@dataclass(frozen=True, slots=True)
class Row:
    """One file. `kind` is capture, journal, or unreadable.

    `throttle` has steps (percent, seconds), `events` marks and alarms as (seconds, words).
    """

    path: Path
    setup: str
    run: int
    utc: str
    seconds: float | None
    outcome: str
    kind: str = "unreadable"
    cause: str = ""
    throttle: tuple[tuple[float, float], ...] = ()
    notes: str = ""
    pairs: Mapping[str, str] = field(default_factory=dict)
    events: Sequence[tuple[float | None, str]] = ()
    amendments: Sequence[Mapping[str, str]] = ()

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
    kind = "journal" if path.suffix == JOURNAL else "capture"
    try:
        if kind == "journal":
            meta = Meta.from_dict({**read_begin(path), "outcome": WANTS_SALVAGE})
        else:
            meta = read_meta(path)
    except RigError as error:
        return Row(path, "", 0, "", None, f"unreadable: {error.what}")
    return Row(
        path,
        meta.setup,
        meta.run,
        meta.utc,
        meta.seconds,
        meta.outcome,
        kind=kind,
        cause=meta.cause,
        throttle=meta.throttle,
        notes=meta.notes,
        pairs=meta.pairs,
        events=meta.events,
        amendments=meta.amendments,
    )


def known_setups(folder: Path) -> list[str]:
    """The setups of the newest captures in `folder`, newest first; none where there is no such
    folder. Files that cannot be read are left out."""
    try:
        files = [p for p in folder.glob("*.parquet") if p.is_file() and not p.name.startswith(".")]
    except OSError:
        return []
    setups: dict[str, None] = {}
    for path in sorted(files, reverse=True)[:NEWEST]:
        with suppress(RigError):
            setups[read_meta(path).setup] = None
    return [setup for setup in setups if setup]
