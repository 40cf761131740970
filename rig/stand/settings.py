"""stand.toml: read, checked, and all of its mistakes named at once.

The recorder is handed a finished `Stand` and never comes here, where pydantic is.
"""

from __future__ import annotations

import dataclasses
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from rig.errors import SettingsError
from rig.stand.crosscheck import channel_mistakes, limit_mistakes
from rig.stand.mistakes import Mistake, plain_ascii, shown
from rig.stand.mistakes import StandError as StandError
from rig.stand.model import (
    SENSORS,
    ChannelSettings,
    Closed,
    Converter,
    Level,
    Limits,
    Motor,
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
from rig.stand.reader import Reader

TABLES_AND_KEYS = (
    "name",
    "port",
    "baud",
    "channels",
    "tachometer",
    "limits",
    "converter",
    "reference",
    "motor",
)
_LIMIT_KEYS = tuple(f.name for f in dataclasses.fields(Limits) if f.name != "levels")
BAUD_FROM, BAUD_TO = 1200, 10_000_000


def load_stand(path: Path) -> Stand:
    """Read a stand.toml. Raises SettingsError."""
    return parse_stand(read_settings(path, "--stand"), str(path))


def read_settings(path: Path, option: str) -> str:
    """The text of a settings file, which `option` names. Raises SettingsError."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        to_do = f"Name the file with {option}."
        raise SettingsError(reason, where=str(path), to_do=to_do) from error
    except UnicodeDecodeError as error:
        raise SettingsError("not a text file in UTF-8", where=str(path)) from error


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """The table that `text` describes. Raises SettingsError."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # The decoder's own error is a ValueError, and so is a number of too many digits.
        raise SettingsError(f"not TOML: {plain_ascii(str(error))}", where=where) from error


def parse_stand(text: str, where: str) -> Stand:
    """The stand that `text` (TOML) describes. Raises SettingsError with every mistake."""
    return stand_from_dict(parse_toml(text, where), where)


def stand_from_dict(raw: Any, where: str = "stand") -> Stand:
    """The stand that a table describes, as in TOML or from `stand_to_dict`."""
    if not isinstance(raw, dict):
        raise StandError(where, [Mistake("the stand", shown(raw), "a table")])
    return StandReader(where).stand(raw)


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
            "motor": stand.motor and _without_none(dataclasses.asdict(stand.motor)),
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


class StandReader(Reader):
    """Reads a stand.toml."""

    words = ("curve", "position", "board_label")

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
        motor = self._part("motor", Motor, raw["motor"]) if "motor" in raw else None
        limits, levels = self._limits(self._table(raw, "limits"))
        kept = [channel for channel in channels if channel is not None]
        self._cross_check(raw, kept, limits or Limits(levels))
        if self.mistakes or limits is None:
            raise StandError(self.where, list(dict.fromkeys(self.mistakes)))
        return Stand(
            name or "stand",
            port,
            baud,
            tuple(kept),
            tachometer,
            limits,
            converter,
            reference,
            motor,
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
        # Only here is numpy needed, whose import takes longer than all the rest of a reading.
        from rig.stand.calibration import steinhart_hart

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


_BAD = object()


def _parameter_names(kind: type[Closed]) -> set[str]:
    return {
        field.name
        for field in dataclasses.fields(kind)  # type: ignore[arg-type]
        if "Parameter" in str(field.type)
    }


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)
