"""One mistake in the settings, and the error that carries all of them."""

from __future__ import annotations

import dataclasses
from typing import Any

from rig.errors import SettingsError

_LONGEST_SHOWN = 60


@dataclasses.dataclass(frozen=True, slots=True)
class Mistake:
    """One thing wrong in the settings: where, what was found, what is allowed.

    All three are fit for a terminal: a settings file may hold any characters.
    """

    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        return f"{self.key}: found {self.found}, allowed is {self.allowed}"


class StandError(SettingsError):
    """A stand that cannot be used. `mistakes` holds every one of them."""

    def __init__(self, where: str, mistakes: list[Mistake]) -> None:
        count = "1 mistake" if len(mistakes) == 1 else f"{len(mistakes)} mistakes"
        super().__init__(count, where=where, to_do="\n  ".join(map(str, mistakes)))
        self.mistakes = mistakes


def shown(value: Any) -> str:
    """A value as the file might have it, in printable ASCII and short."""
    try:
        text = ascii(value)
    except (ValueError, RecursionError):
        # A whole number of thousands of digits, or tables nested without end.
        text = f"a {type(value).__name__} beyond all bounds"
    return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 3]}..."


def plain_ascii(text: str) -> str:
    """A text without what a terminal could obey."""
    return text if text.isprintable() and text.isascii() else ascii(text)[1:-1]


def plain_key(key: str) -> str:
    """A key fit for a terminal, and short."""
    text = plain_ascii(key)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 3]}..."
