"""Settings tables read with all of their mistakes named at once: what stand.toml and the simulated
motor's file have in common.

With `settings` the only file of `rig.stand` that knows pydantic.
"""

from __future__ import annotations

import dataclasses
import difflib
from typing import Any, ClassVar

from pydantic import TypeAdapter, ValidationError

from rig.stand.mistakes import Mistake, plain_key, shown


class Reader:
    """Collects mistakes while it reads; a part with a mistake becomes None."""

    words: ClassVar[tuple[str, ...]] = ()
    """The keys whose value is no number."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.mistakes: list[Mistake] = []

    def _part(self, where: str, kind: type[Any], table: Any) -> Any:
        if not isinstance(table, dict):
            self._wrong(where, table, "a table")
            return None
        # The reader of types below would take "5" and true for numbers.
        worded = {
            key for key, value in table.items() if key not in self.words and _has_words(value)
        }
        for key in worded:
            self._wrong(f"{where}.{key}", table[key], "a number")
        try:
            part = _adapter(kind).validate_python(table)
            return None if worded else part
        except ValidationError as error:
            for detail in error.errors():
                place = [str(part) for part in detail["loc"] if part != "value"]
                key = ".".join([where, *place])
                if place and place[0] in worded:
                    continue
                if detail["type"] in ("unexpected_keyword_argument", "extra_forbidden"):
                    names = [field.name for field in dataclasses.fields(kind)]
                    self._unknown(key, place[-1] if place else "", names)
                elif detail["type"] in ("missing", "missing_argument"):
                    self._wrong(key, NOTHING, "a value: it is needed")
                else:
                    self._wrong(key, detail["input"], _allowed(detail["msg"]))
            return None

    def _table(self, raw: dict[str, Any], key: str) -> dict[str, Any]:
        value = raw.get(key, {})
        if isinstance(value, dict):
            return value
        self._wrong(key, value, "a table")
        return {}

    def _text(
        self, table: dict[str, Any], key: str, *, default: str | None, where: str = ""
    ) -> str | None:
        value = table.get(key, default)
        if value is None or (
            isinstance(value, str) and 1 <= len(value) <= 200 and value.isprintable()
        ):
            return value
        allowed = "a text of 1 to 200 printable characters"
        self._wrong(f"{where}.{key}".lstrip("."), value, allowed)
        return None

    def _unknown(self, key: str, name: str, known: Any) -> None:
        near = difflib.get_close_matches(name, list(known), n=1)
        names = ", ".join(map(plain_key, known)) or "nothing"
        listed = f"{plain_key(near[0])} (did you mean that?)" if near else names
        self._wrong(key, _UNKNOWN_KEY, listed)

    def _wrong(self, key: str, found: Any, allowed: str) -> None:
        words = str(found) if isinstance(found, _Words) else shown(found)
        self.mistakes.append(Mistake(plain_key(key), words, allowed))


class _Words(str):
    """What was found, in words of ours, where there is no value to show."""


NOTHING = _Words("nothing at all")
_UNKNOWN_KEY = _Words("an unknown key")

_ADAPTERS: dict[Any, TypeAdapter[Any]] = {}


def _adapter(kind: Any) -> TypeAdapter[Any]:
    """The type reader of a part, built once: building takes longer than reading."""
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def _allowed(message: str) -> str:
    return message.removeprefix("Input should be ")


def _has_words(value: Any) -> bool:
    """Whether a text or a truth value stands where numbers do."""
    if isinstance(value, list):
        return any(map(_has_words, value))
    return isinstance(value, str | bool)
