"""Four stands with their motors, to try and to copy: a folder each with two files."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from rig.errors import DiskError, SettingsError

EXAMPLES = ("ducted_fan", "small_outrunner", "large_inrunner", "geared_car")
FILES = ("stand.toml", "motor.toml")


def text_of(example: str, file: str) -> str:
    """One file of an example."""
    source = resources.files("rig.simulator.examples") / example / file
    return source.read_text(encoding="utf-8")


def write_examples(folder: Path) -> list[Path]:
    """Write all out into `folder`; gives the files. Nothing is overwritten.

    Raises SettingsError where one is there already, DiskError where the disk refuses.
    """
    written = []
    for example in EXAMPLES:
        for file in FILES:
            path = folder / example / file
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                with path.open("x", encoding="utf-8") as out:
                    out.write(text_of(example, file))
            except FileExistsError as error:
                to_do = "Name another folder."
                raise SettingsError("is there already", where=str(path), to_do=to_do) from error
            except OSError as error:
                reason = (error.strerror or str(error)).lower()
                raise DiskError(f"cannot be written: {reason}", where=str(path)) from error
            written.append(path)
    return written
