"""stand.toml: read, checked, and all of its mistakes named at once.

The only room of `rig.stand` that knows pydantic; the recorder is handed a finished `Stand`
and never comes here.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from rig.errors import SettingsError
from rig.stand.model import (
    SENSORS,
    ChannelSettings,
    Closed,
    Level,
    Limits,
    NtcSteinhart,
    OverCurrent,
    Parameter,
    Sensor,
    Stand,
    Tachometer,
)
from rig.stand.quantities import DERIVED_KEYS, KEY_PATTERN

_TOP = ("name", "port", "baud", "channels", "tachometer", "limits")
_LIMIT_KEYS = tuple(f.name for f in dataclasses.fields(Limits) if f.name != "levels")
_SLOWEST, _FASTEST = 1200, 10_000_000


@dataclasses.dataclass(frozen=True, slots=True)
class Mistake:
    """One thing wrong in the settings: where, what was found, what is allowed."""

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
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"not TOML: {error}", where=where) from error
    return stand_from_dict(raw, where)


def stand_from_dict(raw: dict[str, Any], where: str = "stand") -> Stand:
    """The stand that a table describes, as in TOML or from `stand_to_dict`."""
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
            if key not in _TOP:
                self._unknown(key, key, _TOP)
        name = self._text(raw, "name", default="stand")
        port = self._text(raw, "port", default=None)
        baud = raw.get("baud", 115_200)
        if not _is_whole(baud) or not _SLOWEST <= baud <= _FASTEST:
            self._wrong("baud", baud, f"a whole number from {_SLOWEST} to {_FASTEST}")
        channels = [
            self._channel(key, table) for key, table in self._table(raw, "channels").items()
        ]
        tachometer = None
        if "tachometer" in raw:
            tachometer = self._part("tachometer", Tachometer, raw["tachometer"])
        limits = self._limits(self._table(raw, "limits"))
        self._cross_check(raw, limits)
        if self.mistakes or limits is None or not isinstance(baud, int):
            raise StandError(self.where, self.mistakes)
        kept = tuple(channel for channel in channels if channel is not None)
        return Stand(name or "stand", port, baud, kept, tachometer, limits)

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

    def _parameter(self, where: str, value: Any) -> Any:
        """A number, or a table of a value and one of u, tolerance, tolerance_pct.

        A tolerance is taken as the half-width of a rectangular distribution (JCGM 100:2008
        4.3.7): u is the tolerance over the square root of 3.
        """
        allowed = "a number, or {value, tolerance_pct}, {value, tolerance} or {value, u}"
        if _is_number(value):
            return {"value": float(value)}
        if not isinstance(value, dict) or not _is_number(value.get("value")):
            self._wrong(where, value, allowed)
            return _BAD
        spreads = {key: spread for key, spread in value.items() if key != "value"}
        known = {"u", "tolerance", "tolerance_pct"}
        if (
            len(spreads) > 1
            or not set(spreads) <= known
            or not all(_is_number(spread) and spread >= 0 for spread in spreads.values())
        ):
            self._wrong(where, value, allowed)
            return _BAD
        nominal = float(value["value"])
        for key, spread in spreads.items():
            half_width = abs(nominal) * spread / 100.0 if key == "tolerance_pct" else spread
            return {"value": nominal, "u": spread if key == "u" else half_width / math.sqrt(3.0)}
        return {"value": nominal}

    def _steinhart_points(self, where: str, values: dict[str, Any]) -> None:
        points = values.pop("points")
        fit = steinhart_hart(points)
        if fit is None:
            self._wrong(f"{where}.points", points, "three different [ohm, degC]")
            fit = (1e-3, 2e-4, 1e-7)
        values.update(zip("abc", fit, strict=True))

    def _limits(self, table: dict[str, Any]) -> Limits | None:
        levels: list[tuple[str, Level]] = []
        plain: dict[str, Any] = {}
        for key, value in table.items():
            if key == "overcurrent":
                plain[key] = self._part("limits.overcurrent", OverCurrent, value)
            elif key in _LIMIT_KEYS:
                plain[key] = value
            elif isinstance(value, dict):
                level = self._part(f"limits.{key}", Level, value)
                if level is not None:
                    self._order(key, level)
                    levels.append((key, level))
            else:
                self._unknown(f"limits.{key}", key, _LIMIT_KEYS)
        limits: Limits | None = self._part("limits", Limits, {**plain, "levels": tuple(levels)})
        return limits

    def _order(self, key: str, level: Level) -> None:
        if None not in (level.warn_over, level.trip_over) and level.warn_over > level.trip_over:  # type: ignore[operator]
            self._wrong(f"limits.{key}.warn_over", level.warn_over, f"up to {level.trip_over:g}")
        if None not in (level.warn_under, level.trip_under) and level.warn_under < level.trip_under:  # type: ignore[operator]
            self._wrong(
                f"limits.{key}.warn_under", level.warn_under, f"from {level.trip_under:g} on"
            )

    def _cross_check(self, raw: dict[str, Any], limits: Limits | None) -> None:
        channels = raw.get("channels")
        keys = set(channels) if isinstance(channels, dict) else set()
        if "tachometer" in raw:
            keys.add("speed")
        if {"current", "voltage"} <= keys:
            keys.add("power")
        if limits is None:
            return
        for key, _ in limits.levels:
            if key not in keys:
                self._unknown(f"limits.{key}", key, sorted(keys))
        if limits.overcurrent is not None and "current" not in keys:
            self._wrong("limits.overcurrent", "no current channel", "only with channels.current")
        cells = (limits.cell_warn_v, limits.cell_trip_v)
        if any(cell is not None for cell in cells):
            if limits.cells is None:
                self._wrong("limits.cells", "nothing", "the number of cells in series")
            if "voltage" not in keys:
                self._wrong("limits.cells", "no voltage channel", "only with channels.voltage")
            if None not in cells and cells[0] < cells[1]:  # type: ignore[operator]
                self._wrong("limits.cell_warn_v", cells[0], f"from {cells[1]:g} on")

    def _part(self, where: str, kind: type[Any], table: Any) -> Any:
        if not isinstance(table, dict):
            self._wrong(where, table, "a table")
            return None
        try:
            return TypeAdapter(kind).validate_python(table)
        except ValidationError as error:
            for detail in error.errors():
                place = [str(part) for part in detail["loc"] if part != "value"]
                key = ".".join([where, *place])
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
        if value is None or (isinstance(value, str) and 1 <= len(value) <= 200):
            return value
        self._wrong(f"{where}.{key}".lstrip("."), value, "a text of 1 to 200 characters")
        return None

    def _unknown(self, key: str, name: str, known: Any) -> None:
        near = difflib.get_close_matches(name, list(known), n=1)
        listed = f"{near[0]} (did you mean that?)" if near else ", ".join(known) or "nothing"
        self._wrong(key, "an unknown key", listed)

    def _wrong(self, key: str, found: Any, allowed: str) -> None:
        shown = found if isinstance(found, str) and " " in found else _shown(found)
        self.mistakes.append(Mistake(key, shown, allowed))


_BAD = object()
_NOTHING = "nothing at all"


def steinhart_hart(points: Any) -> tuple[float, float, float] | None:
    """a, b, c of 1/T = a + b ln R + c (ln R)^3 through three points of [ohm, degC].

    None where the points do not determine them.
    """
    import numpy as np

    try:
        ohms, degc = np.array(points, dtype=float).reshape(3, 2).T
        if not ((ohms > 0).all() and (degc > -273.15).all() and np.isfinite(ohms + degc).all()):
            return None
        logs = np.log(ohms)
        rows = np.stack([np.ones(3), logs, logs**3], axis=1)
        a, b, c = np.linalg.solve(rows, 1.0 / (degc + 273.15))
    except (ValueError, TypeError, OverflowError, np.linalg.LinAlgError):
        return None
    return float(a), float(b), float(c)


def _parameter_names(kind: type[Closed]) -> set[str]:
    return {
        field.name
        for field in dataclasses.fields(kind)  # type: ignore[arg-type]
        if "Parameter" in str(field.type)
    }


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and _is_finite(value)


def _is_finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _allowed(message: str) -> str:
    return message.removeprefix("Input should be ")


def _shown(value: Any) -> str:
    text = ascii(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
