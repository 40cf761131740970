"""Inverse-time over-current by IEC 60255-151: a short peak passes, a long overload does not.

The standard gives the time to trip at constant current, t = TM * (k / (M^a - 1) + c) with
M = current / pickup. For a current that varies, a trip comes when the integral of dt/t(I)
reaches 1. Curves A to C are the inverse, very inverse and extremely inverse of the
standard's annex; D to F those it shares with IEEE C37.112.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.stand.model import OverCurrent


@dataclass(frozen=True, slots=True)
class Curve:
    """Constants of one curve. `reset_s` is the IEEE C37.112 reset time at no current (from
    memory); the standard leaves the reset of A to C to the maker, and we give each the
    constant of its sister among D to F.
    """

    k: float
    a: float
    c: float
    reset_s: float


CURVES = {
    "A": Curve(0.14, 0.02, 0.0, 4.85),
    "B": Curve(13.5, 1.0, 0.0, 21.6),
    "C": Curve(80.0, 2.0, 0.0, 29.1),
    "D": Curve(0.0515, 0.02, 0.114, 4.85),
    "E": Curve(19.61, 2.0, 0.491, 21.6),
    "F": Curve(28.2, 2.0, 0.1217, 29.1),
}


def trip_time_s(settings: OverCurrent, current_a: float) -> float:
    """Seconds to trip at a constant current; infinite up to the pickup."""
    multiple = abs(current_a) / settings.pickup_a
    if multiple <= 1:
        return math.inf
    curve = CURVES[settings.curve]
    # M^a - 1, which keeps its digits (and stays above zero) for a current just over the pickup.
    above = math.expm1(curve.a * math.log(multiple))
    return settings.time_multiplier * (curve.k / above + curve.c)


class InverseTime:
    """The integral of dt/t(I). `used` runs from 0 to 1, where the trip is due."""

    def __init__(self, settings: OverCurrent) -> None:
        self.settings = settings
        self.used = 0.0

    def advance(self, dt_s: float, current_a: float) -> float:
        """Take `dt_s` seconds at `current_a` in; the sign of the current does not matter.

        Below the pickup the integral falls by dt / (TM * reset / (1 - M^2)): what heated
        cools, fastest at no current. At the pickup it stands still. Returns `used`.
        """
        pickup_a = self.settings.pickup_a
        if abs(current_a) > pickup_a:
            self.used += dt_s / trip_time_s(self.settings, current_a)
        elif self.used > 0.0:
            multiple = abs(current_a) / pickup_a
            reset_s = CURVES[self.settings.curve].reset_s * self.settings.time_multiplier
            self.used = max(0.0, self.used - dt_s * (1 - multiple**2) / reset_s)
        return self.used
