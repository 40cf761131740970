"""Old runs computed anew with a newer stand.toml, into a folder of their own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.captures.capture import read_meta
from rig.captures.convert import recalibrate
from rig.captures.dataset import (
    CAPTURE,
    Claim,
    claim_of,
    find_captures,
    left_out_line,
    left_out_unreadable,
    once,
)
from rig.captures.files import sweep
from rig.errors import DiskError, InputFileError, SettingsError
from rig.stand.model import Stand

FOLDER = "recalibrated"


@dataclass(frozen=True, slots=True)
class Recalibrated:
    """The captures written, and what of the folders was left out, a line each."""

    written: tuple[Path, ...]
    left_out: tuple[str, ...]


def recalibrate_all(
    paths: Sequence[Path], stand: Stand, made: str, out: Path | None = None
) -> Recalibrated:
    """Recalibrate captures and those in folders, each run once; the old files stay.

    `made` is the time (UTC) that is written as that of the calibration. A capture goes to
    `recalibrated/` in its folder, those of a folder to `recalibrated/` in that folder with their
    paths in it kept; or into the folder `out`; or, a single one, to the file `out`, if that ends
    in .parquet. What an earlier call that was killed has left of the same files is removed.
    Raises InputFileError, SettingsError, DiskError.
    """
    to_file = out is not None and out.suffix == CAPTURE and not out.is_dir()
    if to_file and (len(paths) != 1 or paths[0].is_dir()):
        raise SettingsError(
            "one file for several captures", where="--out", to_do="Name a folder in its place."
        )
    written: list[Path] = []
    targets, left_out = _targets(paths, out, to_file)
    for path, wanted, named in targets:
        try:
            written.append(_one(path, stand, made, wanted, make_folder=not to_file))
        except InputFileError as error:
            if named:
                raise
            left_out.append(left_out_unreadable(path, error))
    if not written:
        raise InputFileError("no capture could be recalibrated", to_do="\n  ".join(left_out))
    return Recalibrated(tuple(written), tuple(left_out))


def _one(path: Path, stand: Stand, made: str, wanted: Path, *, make_folder: bool) -> Path:
    read_meta(path)  # no folder for what is no capture
    if make_folder:
        try:
            wanted.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise DiskError(
                f"the folder cannot be made: {reason}",
                where=str(wanted.parent),
                to_do="Choose another with --out.",
            ) from error
    if wanted.parent.is_dir():
        sweep(wanted)
    return recalibrate(path, stand, wanted, made)


def _targets(
    paths: Sequence[Path], out: Path | None, to_file: bool
) -> tuple[list[tuple[Path, Path, bool]], list[str]]:
    """What is to be recalibrated, where to, and whether it was named; and what is left out."""
    wanted: dict[Path, Path] = {}
    named: set[Path] = set()
    left_out: list[str] = []
    for path in paths:
        found = find_captures([path])
        named |= found.named
        left_out += found.left_out
        if found.named:
            own = path.parent if path.parent.name == FOLDER else path.parent / FOLDER
            wanted[path] = out if out and to_file else (out or own) / path.name
            continue
        folder = out or path / FOLDER
        inside = folder.resolve() != path.resolve() and folder.resolve().is_relative_to(
            path.resolve()
        )
        for file in found.files:
            if not (inside and file.resolve().is_relative_to(folder.resolve())):
                wanted.setdefault(file, folder / file.relative_to(path))
    for path, target in wanted.items():
        if not to_file and target.parent.resolve() == path.parent.resolve() and out:
            raise SettingsError(
                "the old captures are in that folder", where="--out", to_do="Name another folder."
            )
    several = [path for path in wanted if path not in named]
    counted = once(list(_claims(several, left_out)))
    left_out += left_out_line(counted)
    chosen = [path for path in wanted if path in named or path in counted]
    return [(path, wanted[path], path in named) for path in chosen], left_out


def _claims(paths: Sequence[Path], left_out: list[str]) -> Iterator[Claim]:
    for path in paths:
        try:
            yield claim_of(path)
        except InputFileError as error:
            left_out.append(left_out_unreadable(path, error))
