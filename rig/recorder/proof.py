"""Whether a stop took effect, judged from what the stand measures and not from what it says.

Pure: readings and time in, a verdict out.

Why readings: a board can answer `stop` and still drive, through a wrong pin or a controller that
holds its last throttle. Current and speed come from the motor itself.

Why a fall and not a standstill: a large rotor coasts for seconds after its drive is off. So
current must fall to a quarter, which it does within milliseconds once nothing drives, and speed
by a tenth, which a rotor with any load does within the second. Only then may the run be said to
be stopped; standstill is waited for afterwards, while coasting.

Why all readings and not one: a current sensor that fails reads 0, as a stopped motor does, and
so does a tachometer. Whatever is measured must agree. A reading that is clipped or faulty can
prove nothing and keeps the stop unproven: that costs a warning too many, never one too few.

What it cannot show: a stand that measures neither current nor speed has no proof. And no proof
replaces a switch in the supply.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

PROVE_WITHIN_S = 1.0
"""How long current and speed may take to fall before the stop counts as not effective."""

CURRENT_LEFT = 0.25
SPEED_LEFT = 0.9
"""Fractions of the readings at the stop, below which they have fallen."""

SPEED_LATE_S = 0.3
"""A speed is read from edges that have passed, so that a rotor stopped while it spins up is read
as faster for so long after the stop."""

REST_CURRENT_A = 1.5
REST_SPEED_RPM = 60.0
"""Readings below these are those of a motor that nobody drives: an amplifier's offset and a
rotor that is pushed by a draught. From common practice, no source."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What was read when the stop was sent, and with which later readings are compared."""

    current_a: float
    speed_rpm: float

    @classmethod
    def begin(cls, values: Mapping[str, float]) -> Proof:
        """`values` are the newest readings by column; what is missing cannot be held."""
        return cls(values.get("current_a", math.nan), values.get("speed_rpm", math.nan))

    def with_late_speed(self, values: Mapping[str, float], after_s: float) -> Proof:
        """The same, where the first readings after the stop show that speed was higher."""
        speed_rpm = values.get("speed_rpm", math.nan)
        if 0.0 <= after_s <= SPEED_LATE_S and speed_rpm > _known(self.speed_rpm):
            return replace(self, speed_rpm=speed_rpm)
        return self

    def holds(self, values: Mapping[str, float], unusable: frozenset[str]) -> bool:
        """Whether every reading that can speak has fallen, and at least one can.

        `unusable` names columns whose reading is clipped or faulty just now: a clipped
        current is proof of nothing, and leaves the stop unproven.
        """
        bounds = {
            "current_a": max(CURRENT_LEFT * _known(self.current_a), REST_CURRENT_A),
            "speed_rpm": max(SPEED_LEFT * _known(self.speed_rpm), REST_SPEED_RPM),
        }
        readings = [(values[name], name) for name in bounds if name in values]
        return bool(readings) and all(
            name not in unusable and abs(value) <= bounds[name] for value, name in readings
        )


def _known(reading: float) -> float:
    return reading if math.isfinite(reading) else 0.0
