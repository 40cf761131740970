"""Files and folders that were named, as a list of captures in which each run counts once.

The one walk for every command that takes a folder. Passed over inside a folder: names that
begin with a dot (files and folders), and whatever is no regular file, a folder called
`x.parquet` included, which is not entered either. Links to folders are not followed.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.captures.capture import read_meta
from rig.captures.files import check_file
from rig.captures.identity import Identity, grouped, identity_of
from rig.captures.journal_head import JOURNAL
from rig.errors import InputFileError, RigError
from rig.vocabulary import RunOutcome

CAPTURE = ".parquet"
MOST_NAMED = 6
"""So many file names in one line; the rest are counted."""

_NOT_WATCHED = frozenset({RunOutcome.IMPORTED, RunOutcome.CUT_OFF})
_RECALIBRATED = re.compile(r"_recalibrated(?=_|$)")


@dataclass(frozen=True, slots=True)
class Found:
    """Captures, those `named` one by one among them, and what of the folders is left out."""

    files: tuple[Path, ...]
    named: frozenset[Path]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Claim:
    """What decides which of several captures of one run counts."""

    path: Path
    identity: Identity | None
    outcome: str
    rows: int
    calibrated: str
    calibration: str
    """The same text for the same stand."""
    amended: str
    """When (UTC) its description was corrected; empty where it was not."""


def find_captures(paths: Sequence[Path]) -> Found:
    """The captures named, and those in the folders named, without repeats.

    Raises InputFileError for a path that is neither, and where there is no capture at all.
    """
    found: dict[Path, None] = {}
    named: set[Path] = set()
    unread: list[str] = []
    for path in paths:
        if path.is_dir() and path.suffix != CAPTURE:
            found |= dict.fromkeys(files_in(path, CAPTURE, unread))
        else:
            check_file(path)
            found[path] = None
            named.add(path)
    if not found:
        names = ", ".join(map(str, paths))
        to_do = "\n  ".join(unread) or "Record some: `rig run`."
        raise InputFileError("no capture is there", where=names, to_do=to_do)
    return Found(tuple(found), frozenset(named), tuple(unread))


def files_in(folder: Path, suffix: str, unread: list[str]) -> list[Path]:
    """The files under `folder` whose names end with `suffix`, sorted.

    Folders that may not be read are put into `unread`, a line each.
    """

    def skipped(error: OSError) -> None:
        reason = (error.strerror or str(error)).lower()
        unread.append(f"{error.filename} is left out: {reason}")

    return sorted(_walk(folder, suffix, skipped))


def _walk(folder: Path, suffix: str, skipped: Callable[[OSError], None]) -> Iterator[Path]:
    for parent, folders, files in os.walk(folder, onerror=skipped):
        folders[:] = [
            name for name in folders if name[0] != "." and not name.endswith((CAPTURE, JOURNAL))
        ]
        for name in files:
            path = Path(parent, name)
            if name[0] != "." and name.endswith(suffix) and path.is_file():
                yield path


def claim_of(path: Path) -> Claim:
    """What decides whether `path` is the capture of its run that counts."""
    meta = read_meta(path)
    stand = json.dumps(meta.stand, sort_keys=True)
    return Claim(
        path,
        identity_of(path, meta),
        meta.outcome,
        meta.rows,
        meta.calibrated,
        stand,
        meta.amended,
    )


def once(claims: Sequence[Claim]) -> dict[Path, list[Path]]:
    """The capture that counts for each run, and the others of the same run.

    The recorder's own account counts before a terminal log or a salvaged journal without an
    end, which may not know of a trip; then the one with the most rows; then the newest
    calibration. That is, in this order: the time that `rig recalibrate` wrote into it; the
    `_recalibrated` in its name, from before that time was written; where the calibrations still
    differ, the file's own time; then the newest amendment. Of equals, the shortest path.
    """
    counted: dict[Path, list[Path]] = {}
    for places in grouped([claim.identity for claim in claims]):
        group = [claims[place] for place in places]
        if len(group) > 1:
            group = sorted(group, key=lambda claim: (len(str(claim.path)), str(claim.path)))
            alike = len({claim.calibration for claim in group}) == 1
            group = sorted(group, key=lambda claim: _standing(claim, alike), reverse=True)
        first, *others = (claim.path for claim in group)
        counted[first] = others
    return counted


def left_out_line(counted: dict[Path, list[Path]]) -> list[str]:
    """One line that names the captures that do not count; none where all of them do."""
    repeats = {path: others for path, others in counted.items() if others}
    number = sum(map(len, repeats.values()))
    if not number:
        return []
    name = names_apart([path for path, others in repeats.items() for path in (path, *others)])
    pairs = [(other, path) for path, others in repeats.items() for other in others]
    words = [f"{name[other]} (the same run as {name[path]})" for other, path in pairs[:MOST_NAMED]]
    more = [f"{number - MOST_NAMED} more"] if number > MOST_NAMED else []
    files = "1 file is" if number == 1 else f"{number} files are"
    return [f"{files} left out, because a run counts once: {', '.join([*words, *more])}"]


def left_out_unreadable(path: Path, error: RigError) -> str:
    """The line for a capture of a folder that cannot be used."""
    return f"{path.name} is left out: {error.what}"


def _standing(claim: Claim, alike: bool) -> tuple[bool, int, str, int, float, str]:
    older = 0 if claim.calibrated else len(_RECALIBRATED.findall(claim.path.stem))
    changed_s = 0.0 if alike else claim.path.stat().st_mtime
    watched = claim.outcome not in _NOT_WATCHED
    return watched, claim.rows, claim.calibrated, older, changed_s, claim.amended


def names_apart(paths: Sequence[Path]) -> dict[Path, str]:
    """Names that tell the files apart: without the folder that all of them are in."""
    if not paths:
        return {}
    common = os.path.commonpath([path.absolute().parent for path in paths])
    return {path: os.path.relpath(path.absolute(), common) for path in paths}
