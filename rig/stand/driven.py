"""What is known of a motor while it is driven: the newest means, the stand at rest, the throttle.

The doubts about current, tachometer and voltage (`doubted_current`, `doubted_tachometer`,
`doubted_voltage`) are judged from this. Pure: means and the throttle in. Constants without a
source are common practice, no source.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from rig.stand.model import Stand
from rig.stand.quantities import column_of
from rig.stand.sampler import Sampler
from rig.stand.tolerance import standard_uncertainty

JUDGE_EVERY_S = 0.05
HISTORY_S = 3.0

SURE = 3.0
"""Standard uncertainties beyond which a reading is not what it should be by chance."""

STEADY = 0.01
"""Relative change of speed over `LOOK_BACK_S`, below which it does not change."""

RISES, STILL_RISES = 0.03, 0.003
"""The same over `LOOK_BACK_S` and since the look before, from which the drive must be at work."""

LOOK_BACK_S = 0.3
COAST_S = 2.0
"""A speed that has not fallen for so long is driven, where the throttle does not say so."""

HOLD_S = 0.1
SETTLED_S = 1.0
"""After a change of throttle, before speed and throttle are compared."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reading that cannot be true. `blinds`: a trip level cannot act on it."""

    quantity: str
    cause: str
    text: str
    value: float | None = None
    blinds: bool = False


class Look(NamedTuple):
    """The means over one step of judging, which ends at `time_s`; nan is not measured."""

    time_s: float
    current_a: float
    voltage_v: float
    speed_rpm: float
    thrown_out: float = 0.0
    """The share of lines whose speed the tachometer's rules do not trust."""


class Driven:
    """Follows one board from its introduction on. nan stands for what is not measured."""

    def __init__(self, stand: Stand, sampler: Sampler) -> None:
        columns, limits = sampler.columns, stand.limits
        self.has_current = "current_a" in columns
        self.has_speed = "speed_rpm" in columns
        tripping = {
            column_of(key)
            for key, level in limits.levels
            if level.trip_over is not None or level.trip_under is not None
        }
        tripping |= {"current_a"} if limits.overcurrent or "power_w" in tripping else set()
        tripping |= {"voltage_v"} if limits.cell_trip_v else set()
        self.tripping = frozenset(tripping)
        """Columns on which a trip level acts."""
        self.motor = stand.motor
        self._speed_limit_rpm = _highest(stand, "speed")
        self._measure(stand, sampler)
        self.looks: deque[Look] = deque()
        self.rest_a = math.nan
        self.fastest_rpm = 0.0
        self.moved = False
        """Anything was seen to happen since the drive came on."""
        self.on = False
        self.pct: float | None = None
        """None: on by a hand."""
        self.gave = False
        self._lowered = False
        """The throttle went down, and no current has been seen since: the rotor may coast."""
        self.on_s = self.changed_s = self.given_s = math.nan
        self._flowed_s = -math.inf
        self._since_s: dict[str, float] = {}
        self._before_s = math.nan
        """The look before the newest: where the newest begins."""

    def _measure(self, stand: Stand, sampler: Sampler) -> None:
        """What the inputs of current and voltage can resolve."""
        self.bottom_a = self.bottom_v = math.nan
        self.sure_a = self.count_a = self.scale_a = math.nan
        for bound in sampler.bound:
            if bound.column == "current_a":
                zero, conversions = bound.count_for(0.0), bound.channel.conversions
                self.sure_a = SURE * standard_uncertainty(bound, zero, stand.converter)
                self.bottom_a = bound.value(bound.channel.lowest_count + conversions)
                self.count_a = abs(bound.value(zero + conversions) - bound.value(zero))
                ends = bound.value(bound.inside_lowest + 1), bound.value(bound.inside_highest - 1)
                overcurrent = stand.limits.overcurrent
                self.scale_a = (
                    _highest(stand, "current")
                    or (overcurrent.pickup_a if overcurrent else None)
                    or max(map(abs, ends))
                )
            elif bound.column == "voltage_v":
                lowest = bound.channel.lowest_count
                self.bottom_v = bound.value(lowest + bound.channel.conversions // 2)

    # What the caller says

    def drive(self, percent: float | None) -> None:
        """The drive is on from the next line on, at `percent`, or by a hand with None."""
        before = self.pct if self.on else 0.0
        if not self.on:
            self.on, self.on_s = True, math.nan
        elif percent == before:
            return
        self.changed_s = math.nan
        if percent is not None:
            self._lowered = before is not None and percent < before
            self.gave |= percent > 0.0
            if not before or not percent:
                self.given_s = math.nan
        self.pct = percent

    def coast(self) -> None:
        """The drive is off, or is told to be."""
        self.on, self.pct = False, None
        self._since_s.clear()

    def take(self, look: Look, began_s: float) -> None:
        """Take in the newest look, whose lines began at `began_s`."""
        looks = self.looks
        self._before_s = looks[-1].time_s if looks else began_s
        if looks and look.time_s < looks[-1].time_s:
            looks.clear()
        looks.append(look)
        while look.time_s - looks[0].time_s > HISTORY_S:
            looks.popleft()
        if not self.on:
            self.rest_a = look.current_a
            return
        self.on_s, self.changed_s, self.given_s = (
            began_s if math.isnan(at_s) else at_s
            for at_s in (self.on_s, self.changed_s, self.given_s)
        )
        if self.flows(look):
            self._flowed_s = look.time_s
            self._lowered &= look.time_s - self.changed_s < LOOK_BACK_S
        self.moved |= self.lives(look)
        self.fastest_rpm = max(self.fastest_rpm, look.speed_rpm)

    # What is known

    def held(self, name: str, present: bool, hold_s: float = HOLD_S) -> bool:
        """Whether `present` has lasted for `hold_s`."""
        time_s = self.looks[-1].time_s
        if not present:
            self._since_s.pop(name, None)
            return False
        since_s = self._since_s.setdefault(name, self._before_s)
        return time_s - since_s >= hold_s - 0.1 * JUDGE_EVERY_S

    def ago(self, look: Look, seconds: float) -> Look | None:
        """The newest look at least `seconds` old."""
        for old in reversed(self.looks):
            if look.time_s - old.time_s >= seconds - 0.5 * JUDGE_EVERY_S:
                return old
        return None

    def lately(self, look: Look, seconds: float) -> list[Look]:
        """The looks of the last `seconds`."""
        return [old for old in self.looks if look.time_s - old.time_s <= seconds]

    def rise_a(self, look: Look) -> float:
        """Current above that of the stand at rest."""
        return look.current_a - known(self.rest_a)

    def flows(self, look: Look) -> bool:
        """Whether current flows that does not at rest."""
        return self.rise_a(look) > self.sure_a

    def lives(self, look: Look) -> bool:
        """Whether a current or a turn is seen."""
        return self.flows(look) or look.speed_rpm > 0.0

    def works_for_s(self, look: Look) -> float:
        """How long a wrong current must last: until the rotor can be said not to coast."""
        if self.pct is not None and self.pct <= 0.0:
            return math.inf
        if not self.has_speed:
            return math.inf if self.settled_pct(look) is None else HOLD_S
        before = self.ago(look, LOOK_BACK_S)
        if before is None or not look.speed_rpm > 0.0:
            return math.inf
        if look.time_s - self._flowed_s < LOOK_BACK_S:
            # The reading of a rotor that coasts from here on may still rise: it comes late.
            return math.inf
        rises = look.speed_rpm > (1.0 + RISES) * before.speed_rpm
        if rises and look.speed_rpm > (1.0 + STILL_RISES) * self.looks[-2].speed_rpm:
            return HOLD_S
        if self.pct is not None and not self._lowered:
            return HOLD_S if look.speed_rpm >= (1.0 - STEADY) * before.speed_rpm else math.inf
        fastest_rpm = max(old.speed_rpm for old in self.lately(look, COAST_S))
        return COAST_S if look.speed_rpm >= (1.0 - STEADY) * fastest_rpm else math.inf

    def is_steady(self, look: Look) -> bool:
        """Whether speed has not changed lately."""
        before = self.ago(look, LOOK_BACK_S)
        return before is not None and (
            abs(look.speed_rpm - before.speed_rpm) <= STEADY * before.speed_rpm
        )

    def share(self, look: Look) -> float:
        """The rotor's speed as a share of its highest, or less; 0 where it is not known."""
        if self.motor is not None and look.voltage_v > 0.0 and look.speed_rpm > 0.0:
            return min(look.speed_rpm / (self.motor.rpm_per_volt * look.voltage_v), 1.0)
        if self._speed_limit_rpm and look.speed_rpm > 0.0:
            return min(look.speed_rpm / self._speed_limit_rpm, 1.0)
        pct = self.settled_pct(look)
        return 0.0 if pct is None else pct / 100

    def settled_pct(self, look: Look) -> float | None:
        """The throttle, where it is known and the rotor has had time to follow."""
        return self.pct if look.time_s - self.changed_s >= SETTLED_S else None

    def changed_lately(self, look: Look) -> bool:
        """Whether the throttle has changed lately; true of one that is not known."""
        return self.pct is None or look.time_s - self.changed_s <= 2.0 * SETTLED_S

    def at_throttle(self) -> str:
        """The throttle as the end of a sentence."""
        return "" if self.pct is None else f" and {self.pct:g} % throttle"


def known(value: float) -> float:
    """`value`, or 0 for what is not measured."""
    return value if value == value else 0.0


def _highest(stand: Stand, key: str) -> float | None:
    """The trip level above, or else the warning."""
    level = stand.limits.level(key)
    return None if level is None else level.trip_over or level.warn_over
