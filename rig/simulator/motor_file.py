"""The drive of one's own: a TOML file, read with all of its mistakes named at once.

    [motor]        kv_rpm_per_v, winding_ohm, no_load_a; no_load_a_per_krpm, timing_deg,
                   kv_per_deg, iron_per_deg
    [rotor]        inertia_kgm2, reference_w, reference_rpm; exponent, reference_n (its thrust),
                   reference_air_kgm3, in_air
    [gear]         ratio, efficiency, tachometer ("motor" or "rotor")
    [controller]   on_ohm, ramp_s, standby_a
    [supply]       cells, cell_ohm, capacity_ah; or volts, internal_ohm
    [heat]         heat capacities and conductances, as `parts.Heat` names them
    [temperatures] a stand's channel = "motor", "winding", "controller", "pack" or "air"
    [board]        name, full_scale, conversions, bipolar, noise_counts
    [board.inputs.KEY]  the same four for one channel of the stand

Needed are those in front of the semicolons under motor and rotor, and either supply. The rest is as
on Marram's bench where it is not given, but for the motor's, which is 0.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from rig.simulator.drive import PLACES, Drive
from rig.simulator.electronics import SENT, Electronics, Input, can_be_sent
from rig.simulator.parts import BenchSupply, Controller, Gear, Heat, Motor, Pack, Rotor
from rig.stand.mistakes import StandError
from rig.stand.reader import NOTHING, Reader
from rig.stand.settings import parse_toml, read_settings

_PARTS: dict[str, type[Any]] = {
    "motor": Motor,
    "rotor": Rotor,
    "gear": Gear,
    "controller": Controller,
    "heat": Heat,
}
_TOP = (*_PARTS, "supply", "temperatures", "board")
_NEEDED = {
    "motor": ("kv_rpm_per_v", "winding_ohm", "no_load_a"),
    "rotor": ("inertia_kgm2", "reference_w", "reference_rpm"),
}
_OPTIONAL = ("no_load_a_per_krpm", "timing_deg", "kv_per_deg", "iron_per_deg")
_PLAIN = {"motor": dict.fromkeys(_OPTIONAL, 0.0)}
"""What a motor has when nobody says, in place of Marram's."""


def load_drive(path: Path) -> Drive:
    """Read a motor's file. Raises SettingsError."""
    return parse_drive(read_settings(path, "--motor"), str(path))


def parse_drive(toml: str, where: str) -> Drive:
    """The drive that `toml` describes. Raises SettingsError with every mistake."""
    return DriveReader(where).drive(parse_toml(toml, where))


class DriveReader(Reader):
    """Reads a motor's file."""

    words = ("tachometer", "bipolar", "in_air")

    def drive(self, raw: dict[str, Any]) -> Drive:
        for key in raw:
            if key not in _TOP:
                self._unknown(key, key, _TOP)
        parts = {name: self._drive_part(name, self._table(raw, name)) for name in _PARTS}
        supply = self._supply(self._table(raw, "supply"))
        sits = self._temperatures(self._table(raw, "temperatures"))
        board = self._board(self._table(raw, "board"))
        if self.mistakes:
            raise StandError(self.where, list(dict.fromkeys(self.mistakes)))
        return Drive(**parts, supply=supply, sits=sits, board=board)

    def _drive_part(self, name: str, table: dict[str, Any]) -> Any:
        missing = [key for key in _NEEDED.get(name, ()) if key not in table]
        for key in missing:
            self._wrong(f"{name}.{key}", NOTHING, "a value: it is needed")
        return self._part(name, _PARTS[name], {**_PLAIN.get(name, {}), **table})

    def _supply(self, table: dict[str, Any]) -> Any:
        if ("cells" in table) == ("volts" in table):
            found = "both" if table.get("cells") else NOTHING
            self._wrong("supply", found, "cells of a pack, or volts of a bench supply")
            return None
        return self._part("supply", Pack if "cells" in table else BenchSupply, table)

    def _temperatures(self, table: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        for key, place in table.items():
            if place not in list(PLACES):
                self._wrong(f"temperatures.{key}", place, f"one of {', '.join(PLACES)}")
        return tuple(table.items())

    def _board(self, table: dict[str, Any]) -> Electronics:
        values = dict(table)
        name = self._text(values, "name", default="simulated", where="board")
        values.pop("name", None)
        if name is not None and not can_be_sent(name):
            self._wrong("board.name", name, SENT)
        inputs = self._table(values, "inputs")
        values.pop("inputs", None)
        common = self._part("board", Input, values) or Input()
        own = []
        for key, given in inputs.items():
            table = given
            if isinstance(given, dict):
                table = {**dataclasses.asdict(common), **given}
            own.append((key, self._part(f"board.inputs.{key}", Input, table)))
        return Electronics(name or "", common, tuple(own))
