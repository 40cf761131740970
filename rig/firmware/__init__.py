"""The reference firmware, as two sketches: `stand_board` does all that firmware_protocol.md
has, `listener` is the smallest board it allows."""

from __future__ import annotations

import shutil
from pathlib import Path

from rig.errors import DiskError, SettingsError

SKETCHES = ("stand_board", "listener")


def write_out(folder: Path) -> list[Path]:
    """Write both sketches into `folder`, each in a folder of its own as a sketch must be.

    Nothing is overwritten: someone may have put in pins of their own. Raises `SettingsError`
    where a sketch is there already, `DiskError` where the disk refuses.
    """
    sources = [Path(__file__).parent / name / f"{name}.ino" for name in SKETCHES]
    targets = [folder / name / f"{name}.ino" for name in SKETCHES]
    for target in targets:
        if target.exists():
            raise SettingsError(
                "is there already", where=str(target), to_do="Name another folder, or move it away."
            )
    try:
        for source, target in zip(sources, targets, strict=True):
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target)
    except OSError as error:
        raise DiskError(
            f"cannot be written: {error.strerror}", where=str(folder), to_do="Name another folder."
        ) from error
    return targets
