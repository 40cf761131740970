"""What lies in a folder of runs: captures, and journals that no capture was made of yet."""

from __future__ import annotations

import re
from collections import Counter
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from rig.captures.capture import Meta, read_meta
from rig.captures.dataset import CAPTURE, claim_of, files_in, names_apart, once
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
    same_as: str = ""
    """The file that counts in place of this one, where both hold the same run."""

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
    same = _same(captures)
    return [
        replace(_row(path), same_as=same.get(path, "")) for path in sorted([*captures, *journals])
    ]


def _same(captures: list[Path]) -> dict[Path, str]:
    """For each capture that does not count the one that does."""
    metas = {}
    for path in captures:
        with suppress(RigError):
            metas[path] = read_meta(path)
    boots = Counter(meta.hello for meta in metas.values())
    claims = []
    for path, meta in metas.items():
        if boots[meta.hello] > 1:  # the only one of its boot is read no further
            with suppress(RigError):
                claims.append(claim_of(path))
    counted = {path: others for path, others in once(claims).items() if others}
    name = names_apart([path for path, others in counted.items() for path in (path, *others)])
    return {other: name[path] for path, others in counted.items() for other in others}


def _row(path: Path) -> Row:
    try:
        if path.suffix == JOURNAL:
            meta = Meta.from_dict({**read_begin(path), "outcome": WANTS_SALVAGE})
        else:
            meta = read_meta(path)
    except RigError as error:
        return Row(path, "", 0, "", None, f"unreadable: {error.what}")
    return Row(path, meta.setup, meta.run, meta.utc, meta.seconds, meta.outcome)
