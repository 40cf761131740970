"""Faults that can be switched on, written `name`, `name@SECONDS` or `name=SHARE`.

`@` is the time, in seconds after the motor is first driven (after power-up for a board that
is never driven), from which on the fault is there. `=` is the share of lines it hits.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from rig.errors import SettingsError

NAMES = {
    "corrupt": "a share of the lines has a character changed",
    "cut-lines": "a share of the lines is cut short",
    "drop": "a share of the lines is not sent",
    "duplicate": "a share of the lines is sent twice",
    "reorder": "a share of the lines changes places with the next",
    "garbage": "a burst of random bytes",
    "reset": "the board is reset",
    "silent": "the board says nothing more",
    "no-answers": "the board does not answer commands",
    "deaf-stop": "a stop is acknowledged but the motor is still driven",
    "refuses-arm": "the board refuses to be armed",
    "motor-open": "the motor's thermistor is open",
    "motor-shorted": "the motor's thermistor is shorted",
    "motor-stuck": "the motor's temperature reading does not move",
    "double-mark": "a share of revolutions gives an edge too many",
    "missing-mark": "a share of revolutions gives an edge too few",
    "clip-current": "the current amplifier has twenty times its gain",
    "overcurrent": "the load on the rotor is three times as large",
    "overvolt": "the supply rises by 4 V",
    "undervolt": "the supply falls by 8 V",
    "overspeed": "the rotor loses its load",
    "overheat": "the motor is heated by a fault of its own",
    "protocol-2": "the board speaks a later version of the protocol",
}
_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault, from `at_s` on, hitting `share` of what it can hit."""

    name: str
    at_s: float = 0.0
    share: float = _SHARE


def parse_fault(text: str) -> Fault:
    """Read `name`, `name@SECONDS` or `name=SHARE`. Raises SettingsError."""
    match = re.fullmatch(r"([a-z0-9-]+)(?:@([0-9.]{1,9}))?(?:=([0-9.]{1,9}))?", text)
    try:
        if match is None or match[1] not in NAMES:
            raise ValueError
        share = float(match[3] or _SHARE)
        if not 0.0 < share <= 1.0:
            raise ValueError
        return Fault(match[1], float(match[2] or 0.0), share)
    except ValueError as error:
        raise SettingsError(
            f"{text!r} is not a fault",
            where="--fault",
            to_do=f"Faults are NAME, NAME@SECONDS or NAME=SHARE, with: {', '.join(NAMES)}.",
        ) from error
