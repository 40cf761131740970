"""Faults that can be switched on: `NAME`, `NAME@SECONDS`, `NAME=VALUE`, `NAME@SECONDS=VALUE`.

`@` is the time from which the fault is there: seconds after the motor is first driven, or
after power-up for a board that only talks. Without `@` it is there from power-up. `=` is the
share of lines or edges that it hits (0 to 1), or the level that it drives a quantity to.

Faults of the wiring act on the signal in front of the converter (`inputs`, `tachometer`), so that
the board sends what a real one would. Those named `motor-...` hit the motor's thermistor, or the
stand's first one where no channel is called `motor`.
"""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from dataclasses import dataclass

from rig.errors import SettingsError

_SHARE = 0.01

KINDS: dict[str, tuple[str, float | None]] = {
    "corrupt": ("a share of the lines has a bit turned", _SHARE),
    "cut-lines": ("a share of the lines lacks its end", _SHARE),
    "drop": ("a share of the lines is not sent", _SHARE),
    "duplicate": ("a share of the lines is sent twice", _SHARE),
    "reorder": ("a share of the lines changes places with the next", _SHARE),
    "garbage": ("a burst of random bytes", None),
    "reset": ("the board is reset", None),
    "silent": ("the board says nothing more", None),
    "no-answers": ("the board does not answer commands", None),
    "deaf-stop": ("a stop is acknowledged, but from then on nothing takes the drive away", None),
    "drive-stuck": (
        "the board cuts and says so, but its output stays on and the motor goes on",
        None,
    ),
    "ignores-stop": ("no stop is obeyed or answered; the watch for the host's silence works", None),
    "no-watch": ("the board does not cut when the host falls silent", None),
    "deaf-limits": ("limits are acknowledged, and never cut", None),
    "dead-input": ("the stop input does not cut", None),
    "refuses-arm": ("the board refuses to be armed", None),
    "protocol-2": ("the board speaks a later version of the protocol", None),
    "double-mark": ("a share of the tachometer's edges comes twice", _SHARE),
    "missing-mark": ("a share of the tachometer's edges is missing", _SHARE),
    "tachometer-dead": ("the tachometer gives no edge", None),
    "tachometer-double": ("the tachometer counts both ends of each mark", None),
    "tachometer-half": ("the tachometer misses every other mark", None),
    "tachometer-uneven": (
        "every other mark is off its place by a share of their distance",
        0.25,
    ),
    "shunt-reversed": ("the shunt's sense wires are exchanged", None),
    "shunt-open": ("the shunt's sense wires are off: its amplifier rests at its zero", None),
    "divider-open-top": ("the divider has lost its upper resistor, and reads nothing", None),
    "divider-open-bottom": ("the divider has lost its lower resistor: the end of the scale", None),
    "motor-open": ("the motor's thermistor is open", None),
    "motor-shorted": ("the motor's thermistor is shorted", None),
    "motor-stuck": ("the motor's temperature reading does not move", None),
    "motor-swapped": ("the motor's thermistor and the next one are exchanged", None),
    "motor-loose": ("the motor's thermistor is open for a share of the lines", 0.2),
    "motor-slow": ("the motor's thermistor sits loose, and follows with so many s", 60.0),
    "reference-low": ("the board's supply, its converter's reference, falls to so many V", 4.6),
    "ground-offset": (
        "the board's ground moves with the current: the voltage reads so many times the supply's "
        "sag too high",
        2.0,
    ),
    "ripple-aliased": ("a ripple of the current, a share of it, shows as a slow beat", 0.2),
    "clip-current": ("the current amplifier is at its upper end while the motor is driven", None),
    "overcurrent": ("a short draws the supply's current up to so many A", 110.0),
    "overvolt": ("the supply rises to so many V", 29.0),
    "undervolt": ("the supply falls to so many V", 18.0),
    "overspeed": ("the driven rotor runs away to so many rpm", 22_000.0),
    "overheat": ("the motor heats up to so many degC", 115.0),
}
"""What each fault does, and its value where it has one."""

FORCED = frozenset(
    {"overcurrent", "overvolt", "undervolt", "overspeed", "overheat", "reference-low"}
)
"""Faults whose value is a level."""

WIRING = tuple(
    name
    for name in KINDS
    if name.startswith(("shunt-", "divider-", "tachometer-", "motor-"))
    or name in ("reference-low", "ground-offset", "ripple-aliased")
)
"""Faults of the wiring, from the sensors to the converter."""

_FREE = FORCED | {"motor-slow", "ground-offset"}
"""Faults whose value may lie above 1."""

_SPEC = re.compile(r"([a-z0-9-]+)(?:@([0-9]+(?:\.[0-9]+)?))?(?:=([0-9]+(?:\.[0-9]+)?))?")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault, from `at_s` on."""

    name: str
    at_s: float = 0.0
    value: float = 0.0


def parse_fault(spec: str) -> Fault:
    """Read one fault as the file's head describes it. Raises SettingsError."""
    match = _SPEC.fullmatch(spec)
    kind = KINDS.get(match[1]) if match else None
    if match is None or kind is None or len(spec) > 60:
        raise SettingsError(
            f"{spec!r} is no fault",
            where="--fault",
            to_do=f"Faults are NAME, NAME@SECONDS or NAME=VALUE, with: {', '.join(KINDS)}.",
        )
    name, default = match[1], kind[1]
    value = default or 0.0
    if match[3]:
        value = float(match[3])
        if default is None or (name not in _FREE and not 0.0 < value <= 1.0):
            raise SettingsError(
                f"{name} takes {'no value' if default is None else 'a share from 0 to 1'}",
                where=f"--fault {spec}",
            )
    return Fault(name, float(match[2] or 0.0), value)


class FaultClock:
    """Which faults are there now."""

    def __init__(self, faults: Sequence[Fault], chance: random.Random) -> None:
        self._waiting = sorted(faults, key=lambda fault: fault.at_s)
        self._present: dict[str, Fault] = {}
        self._spent: set[Fault] = set()
        self._chance = chance

    def tell(self, driven_s: float | None) -> None:
        """`driven_s` is the time since the motor was first driven, None before that."""
        while self._waiting:
            at_s = self._waiting[0].at_s
            if at_s > 0.0 and (driven_s is None or driven_s < at_s):
                return
            fault = self._waiting.pop(0)
            self._present[fault.name] = fault

    @property
    def any(self) -> bool:
        """Whether there is one."""
        return bool(self._present)

    def on(self, name: str) -> bool:
        """Whether the fault is there."""
        return name in self._present

    def once(self, name: str) -> bool:
        """Whether the fault is there for the first time of asking."""
        fault = self._present.get(name)
        if fault is None or fault in self._spent:
            return False
        self._spent.add(fault)
        return True

    def hit(self, name: str) -> bool:
        """Whether this line or edge is among the share that the fault hits."""
        fault = self._present.get(name)
        return fault is not None and self._chance.random() < fault.value

    def level(self, name: str) -> float | None:
        """The level that the fault drives its quantity to, None while it is not there."""
        fault = self._present.get(name)
        return None if fault is None else fault.value
