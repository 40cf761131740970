"""The words for what is measured: key in stand.toml, column in tables, unit, label.

Imports nothing, so that every room may use it.
"""

from __future__ import annotations

import re

_COLUMNS = {
    "current": "current_a",
    "voltage": "voltage_v",
    "power": "power_w",
    "speed": "speed_rpm",
    "torque": "torque_nm",
    "thrust": "thrust_n",
}
_KEYS = {column: key for key, column in _COLUMNS.items()}
_UNITS = {
    "a": "A",
    "v": "V",
    "w": "W",
    "rpm": "rpm",
    "nm": "N·m",
    "n": "N",
    "degc": "°C",
    "s": "s",
    "pct": "%",
}
_PLACES = {"voltage_v": 2, "speed_rpm": 0, "power_w": 0, "torque_nm": 3, "thrust_n": 2}
_TEMPERATURE = "_degc"

DERIVED_KEYS = ("power", "speed")
"""Keys that limits may name but channels may not: they come from other readings."""

KEY_PATTERN = re.compile("[a-z][a-z0-9_]{0,23}")
"""What a key may look like; it becomes part of a column's name."""


def column_of(key: str) -> str:
    """The column of a quantity: `current` gives `current_a`; any other name is a temperature."""
    return _COLUMNS.get(key, f"{key}{_TEMPERATURE}")


def key_of(column: str) -> str:
    """The key of a column: `motor_degc` gives `motor`."""
    return _KEYS.get(column, column.removesuffix(_TEMPERATURE))


def is_column(name: str) -> bool:
    """Whether `name` is the column of a quantity, and not a figure that follows from one."""
    return column_of(key_of(name)) == name


def is_temperature(column: str) -> bool:
    """Whether a column holds degrees Celsius."""
    return column.endswith(_TEMPERATURE)


def unit_of(column: str) -> str:
    """The unit of a column as people write it; empty where it has none."""
    return _UNITS.get(column.rpartition("_")[2], "") if "_" in column else ""


def places_of(column: str) -> int:
    """How many decimal places a live reading is shown with."""
    return _PLACES.get(column, 1)


def label_of(column: str) -> str:
    """What people call a column: `Current`, `Motor temperature`."""
    words = key_of(column).replace("_", " ").capitalize()
    return f"{words} temperature" if is_temperature(column) else words
