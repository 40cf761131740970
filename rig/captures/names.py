"""Names made from text that others chose: file names from setups, columns from board labels.

A setup called `../../etc` or a label with an escape sequence in it must do no harm, and a
name must work on every system, not only on the one that made it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

LONGEST_NAME_BYTES = 80
"""Of one part of a path; systems allow 255 bytes, and time, run and ending are added to it."""

_FORBIDDEN = frozenset('<>:"/\\|?*')
# Device names on Windows, whatever follows the first full stop ("Naming Files, Paths, and
# Namespaces", Microsoft's documentation of the Win32 file interface).
_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])(\..*)?", re.I)


def safe_name(text: str) -> str:
    """`text` as one part of a path, harmless on every system. Applied twice it changes nothing.

    Separators, blanks, control characters and whatever Windows forbids become `_`; it
    neither begins with a dot or a hyphen nor ends with a dot, is no device name, has at
    most LONGEST_NAME_BYTES bytes and is never empty.
    """
    name = "".join(map(_harmless, unicodedata.normalize("NFC", text)))
    name = re.sub("_{2,}", "_", name)
    name = name.encode()[:LONGEST_NAME_BYTES].decode(errors="ignore")
    name = name.lstrip("._-").rstrip("._")
    if _RESERVED.fullmatch(name):
        name = f"x_{name}"
    return name or "unnamed"


def count_columns(labels: Iterable[str]) -> tuple[str, ...]:
    """One column name for the raw counts of each board label: `[a-z0-9_]+_count`, all different."""
    taken: set[str] = set()
    columns = []
    for label in labels:
        base = re.sub("[^a-z0-9]+", "_", label.lower()).strip("_") or "channel"
        name, number = f"{base}_count", 1
        while name in taken:
            number += 1
            name = f"{base}_{number}_count"
        taken.add(name)
        columns.append(name)
    return tuple(columns)


def _harmless(character: str) -> str:
    if character in _FORBIDDEN or character.isspace() or not character.isprintable():
        return "_"
    return character
