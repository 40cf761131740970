"""stand.toml: read, checked, and all of its mistakes named at once.

The only room of `rig.stand` that knows pydantic; the recorder is handed a finished `Stand`
and never comes here.
"""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from rig.errors import SettingsError
from rig.stand.calibration import steinhart_hart
from rig.stand.crosscheck import channel_mistakes, limit_mistakes
from rig.stand.mistakes import Mistake, plain, plain_key, shown
from rig.stand.mistakes import StandError as StandError
from rig.stand.model import (
    SENSORS,
    ChannelSettings,
    Closed,
    Converter,
    Level,
    Limits,
    NtcSteinhart,
    OverCurrent,
    Parameter,
    Reference,
    Sensor,
    Stand,
    Tachometer,
)
from rig.stand.parameters import PARAMETER_FORMS, read_parameter
from rig.stand.quantities import DERIVED_KEYS, KEY_PATTERN

TABLES_AND_KEYS = (
    "name",
    "port",
    "baud",
    "channels",
    "tachometer",
    "limits",
    "converter",
    "reference",
)
_LIMIT_KEYS = tuple(f.name for f in dataclasses.fields(Limits) if f.name != "levels")
BAUD_FROM, BAUD_TO = 1200, 10_000_000


def load_stand(path: Path) -> Stand:
    """Read a stand.toml. Raises SettingsError."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise SettingsError(reason, where=str(path), to_do="Name the file with --stand.") from error
    except UnicodeDecodeError as error:
        raise SettingsError("not a text file in UTF-8", where=str(path)) from error
    return parse_stand(text, str(path))


def parse_stand(text: str, where: str) -> Stand:
    """The stand that `text` (TOML) describes. Raises SettingsError with every mistake."""
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # The decoder's own error is a ValueError, and so is a number of too many digits.
        raise SettingsError(f"not TOML: {plain(str(error))}", where=where) from error
    return stand_from_dict(raw, where)


def stand_from_dict(raw: Any, where: str = "stand") -> Stand:
    """The stand that a table describes, as in TOML or from `stand_to_dict`."""
    if not isinstance(raw, dict):
        raise StandError(where, [Mistake("the stand", shown(raw), "a table")])
    return _Reader(where).stand(raw)


def demo_stand() -> Stand:
    """The stand of the demo, shipped with the package."""
    source = resources.files("rig.stand") / "marram.toml"
    return parse_stand(source.read_text(encoding="utf-8"), "marram.toml")


def stand_to_dict(stand: Stand) -> dict[str, Any]:
    """`stand` as a table that `stand_from_dict` reads back; fit for JSON."""
    table = _without_none(
        {
            "name": stand.name,
            "port": stand.port,
            "baud": stand.baud,
            "channels": {c.key: _channel_table(c) for c in stand.channels},
            "tachometer": stand.tachometer and dataclasses.asdict(stand.tachometer),
            "converter": dataclasses.asdict(stand.converter),
            "reference": stand.reference and dataclasses.asdict(stand.reference),
        }
    )
    limits = dataclasses.asdict(stand.limits)
    del limits["levels"]
    levels = {key: _without_none(dataclasses.asdict(level)) for key, level in stand.limits.levels}
    return table | {"limits": _without_none(limits) | levels}


def _channel_table(channel: ChannelSettings) -> dict[str, Any]:
    values = {
        field.name: getattr(channel.sensor, field.name)
        for field in dataclasses.fields(channel.sensor)
    }
    table = {
        name: dataclasses.asdict(value) if isinstance(value, Parameter) else value
        for name, value in values.items()
    }
    return {"board_label": channel.board_label, "sensor": channel.sensor.kind} | _without_none(
        table
    )


def _without_none(table: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if value is not None}


class _Reader:
    """Collects mistakes while it reads; a part with a mistake becomes None."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.mistakes: list[Mistake] = []

    def stand(self, raw: dict[str, Any]) -> Stand:
        for key in raw:
            if key not in TABLES_AND_KEYS:
                self._unknown(key, key, TABLES_AND_KEYS)
        name = self._text(raw, "name", default="stand")
        port = self._text(raw, "port", default=None)
        baud = raw.get("baud", 115_200)
        if not _is_whole(baud) or not BAUD_FROM <= baud <= BAUD_TO:
            self._wrong("baud", baud, f"a whole number from {BAUD_FROM} to {BAUD_TO}")
        channels = [
            self._channel(key, table) for key, table in self._table(raw, "channels").items()
        ]
        tachometer = None
        if "tachometer" in raw:
            tachometer = self._part("tachometer", Tachometer, raw["tachometer"])
        converter = self._part("converter", Converter, raw.get("converter", {}))
        reference = self._reference(raw["reference"]) if "reference" in raw else None
        limits, levels = self._limits(self._table(raw, "limits"))
        kept = [channel for channel in channels if channel is not None]
        self._cross_check(raw, kept, limits or Limits(levels))
        if self.mistakes or limits is None:
            raise StandError(self.where, list(dict.fromkeys(self.mistakes)))
        return Stand(
            name or "stand", port, baud, tuple(kept), tachometer, limits, converter, reference
        )

    def _channel(self, key: str, table: Any) -> ChannelSettings | None:
        where = f"channels.{key}"
        if not KEY_PATTERN.fullmatch(key) or key in DERIVED_KEYS:
            self._wrong(where, key, "current, voltage, torque, thrust or a name of a temperature")
            return None
        if not isinstance(table, dict):
            self._wrong(where, table, "a table")
            return None
        values = dict(table)
        label = self._text(values, "board_label", default=key, where=where)
        kind = values.pop("sensor", None)
        values.pop("board_label", None)
        sensor_type = SENSORS.get(kind) if isinstance(kind, str) else None
        if sensor_type is None:
            self._wrong(f"{where}.sensor", kind, f"one of {', '.join(SENSORS)}")
            return None
        if sensor_type is NtcSteinhart and "points" in values:
            self._steinhart_points(where, values)
        parameters = _parameter_names(sensor_type)
        converted = {
            name: self._parameter(f"{where}.{name}", value) if name in parameters else value
            for name, value in values.items()
        }
        if label is None or any(value is _BAD for value in converted.values()):
            # The rest is still looked at, so that all mistakes come at once.
            converted = {k: 1.0 if v is _BAD else v for k, v in converted.items()}
            self._part(where, sensor_type, converted)
            return None
        sensor: Sensor | None = self._part(where, sensor_type, converted)
        return None if sensor is None else ChannelSettings(key, label, sensor)

    def _reference(self, table: Any) -> Reference | None:
        if isinstance(table, dict):
            label = self._text(table, "board_label", default="supply", where="reference")
            table = {**table, "board_label": label or "supply"}
        part: Reference | None = self._part("reference", Reference, table)
        return part

    def _parameter(self, where: str, value: Any) -> Any:
        parameter = read_parameter(value)
        if parameter is None:
            self._wrong(where, value, PARAMETER_FORMS)
            return _BAD
        return parameter

    def _steinhart_points(self, where: str, values: dict[str, Any]) -> None:
        points = values.pop("points")
        fit = steinhart_hart(points)
        if fit is None:
            self._wrong(f"{where}.points", points, "three different [ohm, degC]")
            fit = (1e-3, 2e-4, 1e-7)
        values.update(zip("abc", fit, strict=True))

    def _limits(self, table: dict[str, Any]) -> tuple[Limits | None, tuple[tuple[str, Level], ...]]:
        """The limits, and the levels by themselves in case the rest has a mistake."""
        levels: list[tuple[str, Level]] = []
        plain_limits: dict[str, Any] = {}
        for key, value in table.items():
            if key == "overcurrent":
                plain_limits[key] = self._part("limits.overcurrent", OverCurrent, value)
            elif key in _LIMIT_KEYS:
                plain_limits[key] = value
            elif isinstance(value, dict):
                level = self._part(f"limits.{key}", Level, value)
                if level is not None:
                    levels.append((key, level))
            else:
                self._unknown(f"limits.{key}", key, _LIMIT_KEYS)
        kept = tuple(levels)
        return self._part("limits", Limits, {**plain_limits, "levels": kept}), kept

    def _cross_check(
        self, raw: dict[str, Any], channels: list[ChannelSettings], limits: Limits
    ) -> None:
        """What does not go together. A channel with a mistake of its own counts as there."""
        keys = set(self._table(raw, "channels"))
        if "tachometer" in raw:
            keys.add("speed")
        if {"current", "voltage"} <= keys:
            keys.add("power")
        for key, _ in limits.levels:
            if key not in keys:
                self._unknown(f"limits.{key}", key, sorted(keys))
        self.mistakes += channel_mistakes(channels)
        self.mistakes += limit_mistakes(limits, keys)

    def _part(self, where: str, kind: type[Any], table: Any) -> Any:
        if not isinstance(table, dict):
            self._wrong(where, table, "a table")
            return None
        # The reader of types below would take "5" and true for numbers.
        worded = {key for key, value in table.items() if key not in _WORDS and _has_words(value)}
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
                    self._wrong(key, _NOTHING, "a value: it is needed")
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


_BAD = object()
_NOTHING = _Words("nothing at all")
_UNKNOWN_KEY = _Words("an unknown key")
_WORDS = ("curve", "position", "board_label")
"""The keys whose value is a word."""


_ADAPTERS: dict[Any, TypeAdapter[Any]] = {}


def _adapter(kind: Any) -> TypeAdapter[Any]:
    """The type reader of a part, built once: building takes longer than reading."""
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def _parameter_names(kind: type[Closed]) -> set[str]:
    return {
        field.name
        for field in dataclasses.fields(kind)  # type: ignore[arg-type]
        if "Parameter" in str(field.type)
    }


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _allowed(message: str) -> str:
    return message.removeprefix("Input should be ")


def _has_words(value: Any) -> bool:
    """Whether a text or a truth value stands where numbers do."""
    if isinstance(value, list):
        return any(map(_has_words, value))
    return isinstance(value, str | bool)
