"""The reference of stand.toml: every key, from the dataclasses that read it.

A key's sentence is the string below its field in `rig/stand/model.py`, its range the field's
annotation, its default the field's default.
"""

from __future__ import annotations

import ast
import dataclasses
import inspect
import textwrap
import types
import typing
from types import NoneType
from typing import Any

import annotated_types as at

from rig.stand import model
from rig.stand.model import Closed, Parameter, PositiveParameter
from rig.stand.settings import BAUD_FROM, BAUD_TO

_MISSING = dataclasses.MISSING

_HEAD = f"""\
# stand.toml

What is wired to the board, and the limits. `rig` looks for it in the folder you are in, then in
your settings folder; `--stand FILE` names another. All errors in it are reported together. Start
from a copy of the demo's: rig/stand/marram.toml.

At the top:

| key | value | default | |
|---|---|---|---|
| name | text | stand | What you call it. |
| port | text | none | The board's port; `rig ports` lists them. |
| baud | {BAUD_FROM} to {BAUD_TO} | 115200 | The line's speed; the board's sketch sets it. |

A value marked * is a component's: a number, or `{{value = 10.0, tolerance_pct = 1.0}}`, or with
`tolerance` in the value's unit, or with `u`, one standard uncertainty. A tolerance is a half-width.
Without one the value counts as exact.

## [channels.NAME]

One table per channel of the board. NAME is `current`, `voltage`, `torque`, `thrust`, or any other
word for a temperature. `board_label` is what the board calls the channel (default: NAME), `sensor`
is one of the kinds below, and the other keys are the sensor's."""

_TABLES: tuple[tuple[str, type[Closed]], ...] = (
    ("[tachometer]", model.Tachometer),
    ("[converter]", model.Converter),
    ("[reference]", model.Reference),
    ("[motor]", model.Motor),
    ("[limits]", model.Limits),
    ("[limits.NAME]", model.Level),
    ("[limits.overcurrent]", model.OverCurrent),
)


_OWN_TABLES = ("levels", "overcurrent")


def stand_page() -> str:
    """The page, as Markdown."""
    parts = [_HEAD]
    for kind, sensor in model.SENSORS.items():
        parts += [f'### sensor = "{kind}"', _about(sensor), _table(sensor)]
        parts.append(textwrap.indent(sensor.example, "    "))
    for name, table in _TABLES:
        parts += [f"## {name}", _about(table), _table(table)]
    return "\n\n".join(parts) + "\n"


def _about(kind: type[Closed]) -> str:
    return inspect.getdoc(kind) or ""


def _table(kind: type[Closed]) -> str:
    notes, hints = notes_of(kind), typing.get_type_hints(kind, include_extras=True)
    rows = ["| key | value | default | |", "|---|---|---|---|"]
    for field in dataclasses.fields(kind):  # type: ignore[arg-type]
        if field.name not in _OWN_TABLES:
            value, default = _value(hints[field.name]), _default(field.default)
            rows.append(f"| {field.name} | {value} | {default} | {notes[field.name]} |")
    return "\n".join(rows)


def notes_of(kind: type) -> dict[str, str]:
    """The string below each field, in one line."""
    body = ast.parse(textwrap.dedent(inspect.getsource(kind))).body[0]
    assert isinstance(body, ast.ClassDef)
    found = {}
    for field, below in zip(body.body, body.body[1:], strict=False):
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name):
            text = getattr(getattr(below, "value", None), "value", "")
            found[field.target.id] = " ".join(text.split()) if isinstance(text, str) else ""
    return found


def _value(hint: Any) -> str:
    """What may be given, in words."""
    match typing.get_origin(hint):
        case typing.Annotated:
            kind, *bounds = typing.get_args(hint)
            return _bounds(bounds, "whole number " if kind is int else "")
        case origin if origin in (typing.Union, types.UnionType):
            (kind,) = (kind for kind in typing.get_args(hint) if kind is not NoneType)
            return _value(kind)
        case typing.Literal:
            return ", ".join(typing.get_args(hint))
        case origin if origin is tuple:
            return "2 x 2 numbers"
    if hint is str:
        return "text"
    if hint is PositiveParameter:
        return "above 0 *"
    return "number *" if hint is Parameter else "number"


def _bounds(bounds: list[Any], what: str) -> str:
    low = high = None
    for bound in bounds:
        for part in bound if isinstance(bound, at.Interval) else (bound,):
            match part:
                case at.Ge(ge):
                    low = f"{ge:,}"
                case at.Gt(gt):
                    low = f"above {gt:,}"
                case at.Le(le):
                    high = f"{le:,}"
    if high:
        return f"{what}{low} to {high}"
    return f"{what}{low}" if "above" in str(low) else f"{what}{low} or more"


def _default(default: Any) -> str:
    if default is _MISSING:
        return "required"
    if default is None:
        return "none"
    if isinstance(default, Parameter):
        return f"{default.value:g}"
    if isinstance(default, tuple):
        return "all 0"
    return default if isinstance(default, str) else f"{default:g}"
