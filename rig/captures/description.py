"""What a tester says of a run: its setup, notes, and free pairs such as `pack: P1`.

Checked here, at the door, before anything is recorded or rewritten.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from rig.errors import SettingsError

LONGEST_TEXT = 2000
LONGEST_VALUE = 200
MOST_PAIRS = 20

_KEY = re.compile("[a-z][a-z0-9_ -]{0,39}")


def checked_setup(text: str) -> str:
    """`text` as the name of a setup. Raises SettingsError."""
    if not text.strip():
        raise SettingsError(
            "a setup needs a name", where="--setup", to_do="Say in a word or two what is tried."
        )
    return _checked(text, "--setup")


def checked_notes(text: str) -> str:
    """`text` as notes, which may be empty. Raises SettingsError."""
    return _checked(text, "--notes")


def parse_pairs(words: Sequence[str], *, may_remove: bool = False) -> dict[str, str]:
    """Pairs from `KEY=VALUE`, blanks around both removed; of equal keys the last one counts.

    An empty value is allowed only with `may_remove`. Raises SettingsError.
    """
    pairs = {}
    for word in words:
        key, equals, value = (part.strip() for part in word.partition("="))
        usable = value or may_remove
        if not (equals and usable and _KEY.fullmatch(key) and _is_value(value)):
            raise SettingsError(
                f"{word[:300]!r} is not a pair KEY=VALUE",
                where="--with",
                to_do="Such as pack=P1. A key begins with a to z, has a to z, 0 to 9, blank, _ and "
                f"-, at most 40 characters; a value is printable, at most {LONGEST_VALUE}.",
            )
        pairs[key] = value
    check_number(pairs)
    return pairs


def check_number(pairs: Mapping[str, str]) -> None:
    """Raises SettingsError for more pairs than a run can have."""
    if len(pairs) > MOST_PAIRS:
        raise SettingsError(
            f"{len(pairs)} pairs", where="--with", to_do=f"Allowed are at most {MOST_PAIRS}."
        )


def known_pairs(content: Any) -> dict[str, str]:
    """The valid pairs of a file that anyone may have written."""
    if not isinstance(content, dict):
        return {}
    valid = [
        (key, value)
        for key, value in content.items()
        if _KEY.fullmatch(key) and isinstance(value, str) and value and _is_value(value)
    ]
    return dict(valid[:MOST_PAIRS])


def _is_value(text: str) -> bool:
    return len(text) <= LONGEST_VALUE and text.isprintable()


def _checked(text: str, where: str) -> str:
    if len(text) > LONGEST_TEXT:
        raise SettingsError(
            f"a text of {len(text)} characters",
            where=where,
            to_do=f"Allowed are at most {LONGEST_TEXT}.",
        )
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise SettingsError(
            f"{text[:300]!r} is not valid Unicode",
            where=where,
            to_do="Type it again; the terminal should send UTF-8.",
        ) from error
    return text
