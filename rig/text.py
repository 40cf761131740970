"""Text from outside, made fit for a terminal."""

from __future__ import annotations

import unicodedata

_SHOWN_AS_IS = frozenset("\n")


def plain(text: str) -> str:
    """`text` with everything that could steer a terminal shown as an escape.

    Control characters, escape sequences, and marks that turn the direction of writing
    (Unicode categories Cc, Cf, Cs, Zl, Zp) become \\x1b-like text.
    """
    return "".join(_shown(character) for character in text)


def one_line(text: str) -> str:
    """`plain`, and without line breaks."""
    return plain(" ".join(text.split()))


def _shown(character: str) -> str:
    if character in _SHOWN_AS_IS:
        return character
    if unicodedata.category(character) in ("Cc", "Cf", "Cs", "Zl", "Zp"):
        return character.encode("unicode_escape").decode("ascii")
    return character
