"""The reference firmware, as two sketches: `stand_board` does all that firmware_protocol.md
has, `listener` is the smallest board it allows."""

from __future__ import annotations

from pathlib import Path

from rig.captures.files import write_new
from rig.errors import DiskError, SettingsError

SKETCHES = {
    name: Path(__file__).parent / name / f"{name}.ino" for name in ("stand_board", "listener")
}


def write_out(folder: Path) -> list[Path]:
    """Write both sketches into `folder`, each in a folder of its own as a sketch must be.

    Nothing is overwritten: someone may have put in pins of their own. Raises `SettingsError`
    where a sketch is there already, `DiskError` where the disk refuses.
    """
    for name in SKETCHES:
        if (folder / name).exists():
            raise SettingsError(
                "is there already", where=str(folder / name), to_do="Name another folder."
            )
    return [_write(source, folder / name) for name, source in SKETCHES.items()]


def _write(source: Path, folder: Path) -> Path:
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        raise DiskError(
            f"the folder cannot be made: {(error.strerror or str(error)).lower()}",
            where=str(folder), to_do="Name another folder.",
        ) from error  # fmt: skip
    return write_new(folder / source.name, lambda file: file.write(source.read_bytes()))
