"""What lies in a folder of runs: captures, and journals that no capture was made of yet."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from rig.captures.capture import Meta, read_meta
from rig.captures.dataset import CAPTURE, files_in
from rig.captures.journal_head import JOURNAL, read_begin
from rig.errors import InputFileError, RigError

NEWEST = 200
"""Captures that are searched for known setups: 0.1 s."""

WANTS_SALVAGE = "a journal: rig salvage"


@dataclass(frozen=True, slots=True)
class Row:
    """One file. `kind` is capture, journal, or unreadable; `name` is relative to the folder.

    `throttle` has steps (percent, seconds); `events` marks and alarms as (seconds, words). What
    follows from the tables, which are not read here, is filled in by `rig.review`: `same_as`,
    the name of the file that counts in place of this one, where both hold the same run; the
    seconds of `events`, from the start of the throttle hold; and `steps`, the figures of each.
    """

    path: Path
    name: str
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
    same_as: str = ""
    steps: Sequence[Mapping[str, Any]] = ()

    @property
    def ending(self) -> str:
        """The outcome, and whether another file counts in place of this one."""
        return f"{self.outcome}, repeat" if self.same_as else self.outcome

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
    captures = files_in(folder, CAPTURE, [])
    made_of = {path.with_name(re.sub(r"(_[0-9]+)?\.parquet$", "", path.name)) for path in captures}
    made_of |= {path.with_suffix("") for path in captures}
    journals = files_in(folder, JOURNAL, [])
    journals = [path for path in journals if path.with_suffix("") not in made_of]
    return [_row(path, str(path.relative_to(folder))) for path in sorted([*captures, *journals])]


def _row(path: Path, name: str) -> Row:
    kind = "journal" if path.suffix == JOURNAL else "capture"
    try:
        if kind == "journal":
            meta = Meta.from_dict({**read_begin(path), "outcome": WANTS_SALVAGE})
        else:
            meta = read_meta(path)
    except RigError as error:
        return Row(path, name, "", 0, "", None, f"unreadable: {error.what}")
    return Row(
        path,
        name,
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
        events=meta.events_from(None),
        amendments=meta.amendments,
    )


def known_setups(folder: Path) -> list[str]:
    """The setups of the newest captures in `folder` by their names, newest first; none where
    there is no such folder. Files that cannot be read are left out."""
    setups: dict[str, None] = {}
    files = files_in(folder, CAPTURE, [])
    for path in sorted(files, key=lambda path: path.name, reverse=True)[:NEWEST]:
        with suppress(RigError):
            setups[read_meta(path).setup] = None
    return [setup for setup in setups if setup]
