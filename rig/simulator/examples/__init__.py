"""Four stands with their motors, to try and to copy: a folder each, with stand.toml and motor.toml."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from rig.errors import DiskError

EXAMPLES = ("ducted_fan", "small_outrunner", "large_inrunner", "geared_car")
FILES = ("stand.toml", "motor.toml")


def text_of(example: str, file: str) -> str:
    """One file of an example."""
    source = resources.files("rig.simulator.examples") / example / file
    return source.read_text(encoding="utf-8")


def write_examples(folder: Path) -> list[Path]:
    """Write all out into `folder`; gives the files. Nothing is overwritten. Raises DiskError."""
    written = []
    for example in EXAMPLES:
        for file in FILES:
            path = folder / example / file
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                with path.open("x", encoding="utf-8") as out:
                    out.write(text_of(example, file))
            except OSError as error:
                reason = (error.strerror or str(error)).lower()
                raise DiskError(f"cannot be written: {reason}", where=str(path)) from error
            written.append(path)
    return written
