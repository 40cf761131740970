"""Readings that cannot be true while the motor is driven: wiring faults that blind a limit.

Samples and the throttle in, doubts out; no clock. Lines are only collected; twenty times a second
their means are judged, against the stand at rest before the drive came on and against what the
stand's own uncertainty can resolve. `rig.stand.limits` makes alarms of the doubts: those that
blind a trip level trip, the others warn.

A driven rotor keeps or gains speed. So what a coasting rotor does too (turn without current, feed
current back) is judged only where speed does not fall. What the stand does not measure, and a
throttle that nobody knows (a hand on it), is not judged by. Constants without a source are common
practice, no source.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from rig.stand.model import Stand
from rig.stand.quantities import column_of, is_temperature, label_of
from rig.stand.sampler import Sample, Sampler
from rig.stand.thermometers import Thermometers
from rig.stand.tolerance import standard_uncertainty
from rig.stand.watches import amount

JUDGE_EVERY_S = 0.05
HISTORY_S = 3.0

SURE = 3.0
"""Standard uncertainties beyond which a reading is not what it should be by chance."""

STANDSTILL_A = 0.02
"""Share of the current limit that no motor takes for long without turning."""

STANDSTILL_RPM = 0.02
"""Share of the highest speed so far below which a tachometer counts as silent."""

FULL_SPEED_A = 0.3
"""Share of the current limit that a motor takes at its highest speed at least. Below it, current
falls with the cube of speed at most, as a propeller's or fan's does."""

STEADY = 0.01
"""Relative change of speed over `LOOK_BACK_S`, below which it does not change."""

RISES, STILL_RISES = 0.03, 0.003
"""The same over `LOOK_BACK_S` and since the look before, from which the drive must be at work."""

LOOK_BACK_S = 0.3
COAST_S = 2.0
"""A speed that has not fallen for so long is driven, where the throttle does not say so."""

HOLD_S = 0.1
TACHOMETER_HOLD_S = 0.25
"""The first two marks of a slow rotor may take so long to pass."""

SETTLED_S = 1.0
"""After a change of throttle, before speed and throttle are compared."""

DOUBLE, DOUBLE_OFFSET, FASTEST = 1.4, 0.05, 1.3
"""Speed over rpm per volt times voltage: at most so often the throttle, plus an offset (not all
controllers idle at the same pulse), and never more than `FASTEST` (timing advance, tolerance of
the label)."""

HALF, HALF_FROM = 0.5, 0.7
"""A motor below so much of its no-load speed heats itself with most of its power; judged from
that throttle on."""

HALF_KNOWN, HALF_KNOWN_FROM = 0.65, 0.5
"""The same where the resistance is known, of the speed that it leaves."""

SWING, SWING_TURNS, SWING_WITHIN_S = 0.2, 3, 1.5
"""Change of current, as a share, that comes and goes so often while a rotor keeps its speed."""

SAG_A = 0.05
"""Rise of current, as a share of the limit, from which the supply must not rise."""

SAG_V = 0.01
"""Relative rise of voltage that regulation or a recovering pack may show."""

NOTHING_S, NOTHING_ALONE_S = 2.0, 1.0
"""How long a throttle may show nothing; the second where only current or only speed is measured."""

NOTHING_FROM_PCT, NOTHING_UNSEEN_FROM_PCT = 10.0, 30.0
"""Throttle that turns any motor; without a tachometer, one whose current is seen."""

NEVER_BY_HAND_S, NEVER_S = 5.0, 10.0
"""How long a run may have begun without a throttle."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reading that cannot be true. `blinds`: a trip level cannot act on it."""

    quantity: str
    cause: str
    text: str
    value: float | None = None
    blinds: bool = False


class Look(NamedTuple):
    """The means over one step of judging, which ends at `time_s`."""

    time_s: float
    current_a: float
    voltage_v: float
    speed_rpm: float


class Plausibility:
    """Follows one board from its introduction on. nan stands for what is not measured."""

    def __init__(self, stand: Stand, sampler: Sampler) -> None:
        columns, limits = sampler.columns, stand.limits
        self.due_s = -math.inf
        self._columns = columns
        self._at = [
            columns.index(name) if name in columns else None
            for name in ("current_a", "voltage_v", "speed_rpm")
        ]
        self._has_current, _, self._has_speed = (index is not None for index in self._at)
        tripping = {
            column_of(key)
            for key, level in limits.levels
            if level.trip_over is not None or level.trip_under is not None
        }
        tripping |= {"current_a"} if limits.overcurrent or "power_w" in tripping else set()
        tripping |= {"voltage_v"} if limits.cell_trip_v else set()
        self._tripping = frozenset(tripping)
        self._motor = stand.motor
        self._speed_limit_rpm = _highest(stand, "speed")
        self._bottom_a = self._bottom_v = math.nan
        self._sure_a = self._count_a = self._scale_a = math.nan
        for bound in sampler.bound:
            if bound.column == "current_a":
                zero = bound.count_for(0.0)
                conversions = bound.channel.conversions
                self._sure_a = SURE * standard_uncertainty(bound, zero, stand.converter)
                self._bottom_a = bound.value(bound.channel.lowest_count + conversions)
                self._count_a = abs(bound.value(zero + conversions) - bound.value(zero))
                ends = bound.value(bound.inside_lowest + 1), bound.value(bound.inside_highest - 1)
                overcurrent = limits.overcurrent
                self._scale_a = (
                    _highest(stand, "current")
                    or (overcurrent.pickup_a if overcurrent else None)
                    or max(map(abs, ends))
                )
            elif bound.column == "voltage_v":
                lowest = bound.channel.lowest_count
                self._bottom_v = bound.value(lowest + bound.channel.conversions // 2)
        self._thermometers = Thermometers(
            [bound for bound in sampler.bound if is_temperature(bound.column)], columns
        )
        self._fresh: list[Sample] = []
        self._looks: deque[Look] = deque()
        self._rest_a = math.nan
        self._fastest_rpm = 0.0
        self._moved = False
        """Anything was seen to happen since the drive came on."""
        self._on = False
        self._pct: float | None = None
        """None: on by a hand."""
        self._gave = False
        self._lowered = False
        """The throttle went down, and no current has been seen since: the rotor may coast."""
        self._on_s = self._changed_s = self._given_s = math.nan
        self._flowed_s = -math.inf
        self._since_s: dict[str, float] = {}
        self._before_s = math.nan
        """The look before the newest: where the newest begins."""

    # What the caller says

    def drive(self, percent: float | None) -> None:
        """The drive is on from the next line on, at `percent`, or by a hand with None."""
        before = self._pct if self._on else 0.0
        if not self._on:
            self._on, self._on_s = True, math.nan
        elif percent == before:
            return
        self._changed_s = math.nan
        if percent is not None:
            self._lowered = before is not None and percent < before
            self._gave |= percent > 0.0
            if not before or not percent:
                self._given_s = math.nan
        self._pct = percent

    def coast(self) -> None:
        """The drive is off, or is told to be: nothing is judged any more."""
        self._on, self._pct = False, None
        self._since_s.clear()

    def add(self, sample: Sample) -> None:
        """Take in one line; from `due_s` on, call `judge`."""
        self._fresh.append(sample)

    def look_at_rest(self, sample: Sample) -> None:
        """Take in a line before the stand is armed, when nobody asks for doubts."""
        self._fresh.append(sample)
        if sample.time_s >= self.due_s:
            self.judge(sample.time_s)

    def judge(self, time_s: float) -> list[Doubt]:
        """What is in doubt at `time_s`, in the order of its danger."""
        self.due_s = time_s + JUDGE_EVERY_S
        fresh, self._fresh = self._fresh, []
        if not fresh:
            return []
        series = list(zip(*[sample.values for sample in fresh], strict=True))
        means = [
            math.nan if index is None else sum(series[index]) / len(fresh) for index in self._at
        ]
        look = Look(time_s, *means)
        self._before_s = self._looks[-1].time_s if self._looks else fresh[0].time_s
        if self._looks and time_s < self._looks[-1].time_s:
            self._looks.clear()
        self._looks.append(look)
        while time_s - self._looks[0].time_s > HISTORY_S:
            self._looks.popleft()
        clipped = list(self._clipped(fresh))
        self._thermometers.count_bad(fresh)
        if not self._on:
            self._rest_a = look.current_a
            self._thermometers.look(time_s, series, driven=False, power_w=0.0)
            return clipped
        for name in ("_on_s", "_changed_s", "_given_s"):
            if math.isnan(getattr(self, name)):
                setattr(self, name, fresh[0].time_s)
        flows = self._rise_a(look) > self._sure_a
        turns = look.speed_rpm > 0.0
        if flows:
            self._flowed_s = time_s
            self._lowered &= time_s - self._changed_s < LOOK_BACK_S
        self._moved |= flows or turns
        self._fastest_rpm = max(self._fastest_rpm, look.speed_rpm)
        doubts = [
            *self._current(look),
            *self._tachometer(look),
            *self._voltage(look, flows or turns),
            *self._nothing(look, flows or turns),
        ]
        power_w = look.current_a * look.voltage_v
        for column, cause, text in self._thermometers.look(
            time_s, series, driven=flows or turns, power_w=max(power_w, 0.0)
        ):
            doubts.append(Doubt(column, cause, text, blinds=column in self._tripping))
        return doubts + clipped

    def at_end(self) -> list[Doubt]:
        """What a run that nothing happened in is told when it ends, or when it has waited long."""
        if self._moved or self._gave or not (self._has_current or self._has_speed):
            return []
        text = (
            "No throttle was given since the run began: nothing turns, no current flows. Look at "
            "the planned throttle, or at the lead by which it is given."
        )
        return [Doubt("throttle", "never given", text)]

    # What is in doubt

    def _current(self, look: Look) -> Iterator[Doubt]:
        """Current that is not there, or flows back, while the drive turns the rotor."""
        if not self._has_current:
            return
        blinds, hold_s = "current_a" in self._tripping, self._driven_hold_s(look)
        driven = hold_s < math.inf
        said = f"Current reads {amount(look.current_a, 'current_a')}"
        at = f" at {amount(look.speed_rpm, 'speed_rpm')}" if self._has_speed else ""
        at = at or self._at_throttle()
        if self._held("negative", driven and look.current_a < -self._sure_a, hold_s):
            text = f"{said}{at}. Look at the shunt's leads: they are reversed."
            yield Doubt("current_a", "reversed", text, look.current_a, blinds)
        # A little current may hide below what the input resolves, or at the lower end of its
        # scale below the offset, so it is missed only where more than that must flow.
        due_a = FULL_SPEED_A * self._scale_a * self._share(look) ** 3
        hidden_a = SURE * self._count_a if look.current_a > self._bottom_a else self._sure_a
        missing = (
            abs(look.current_a) <= self._sure_a
            and self._rise_a(look) <= self._count_a
            and due_a >= hidden_a
        )
        if self._held("missing", driven and missing, hold_s):
            text = f"{said}{at}. Look at the shunt's leads: reversed or open."
            yield Doubt("current_a", "no current", text, look.current_a, blinds)
        if swing := self._swing(look):
            low_a, high_a = swing
            text = (
                f"Current swings between {amount(low_a, 'current_a')} and "
                f"{amount(high_a, 'current_a')} while speed stays. Look at the filter of the "
                "shunt's input: a ripple that the board samples in step gives false means."
            )
            yield Doubt("current_a", "swings", text, high_a)

    def _swing(self, look: Look) -> tuple[float, float] | None:
        """The ends between which current swings at a speed that stays."""
        if not self._has_speed or look.time_s - self._changed_s < 2.0 * SETTLED_S:
            return None
        looks = [old for old in self._lately(look, SWING_WITHIN_S) if math.isfinite(old.current_a)]
        if not looks:
            return None
        slow, fast = min(old.speed_rpm for old in looks), max(old.speed_rpm for old in looks)
        low_a, high_a = min(old.current_a for old in looks), max(old.current_a for old in looks)
        size_a = high_a - low_a
        stays = slow >= (1.0 - 2.0 * STEADY) * fast
        if not (stays and size_a > max(SWING * high_a, 2.0 * self._sure_a)):
            return None
        ends = [round((old.current_a - low_a) / size_a) for old in looks]
        turns = sum(a != b for a, b in pairwise(ends))
        return (low_a, high_a) if turns >= SWING_TURNS else None

    def _tachometer(self, look: Look) -> Iterator[Doubt]:
        if not self._has_speed:
            return
        blinds = "speed_rpm" in self._tripping
        silent = look.speed_rpm <= STANDSTILL_RPM * self._fastest_rpm
        rest_a = min(self._known(self._rest_a), SAG_A * self._scale_a)
        flows = look.current_a - rest_a > max(self._sure_a, STANDSTILL_A * self._scale_a)
        if self._held("silent", silent and flows, TACHOMETER_HOLD_S):
            text = (
                f"Current is {amount(look.current_a, 'current_a')} and no turn is seen. Look at "
                "the rotor, which may be blocked, and at the tachometer: lead, lamp, marks."
            )
            yield Doubt("speed_rpm", "no speed", text, look.speed_rpm, blinds)
        yield from self._rpm_per_volt(look, blinds=blinds)

    def _rpm_per_volt(self, look: Look, *, blinds: bool) -> Iterator[Doubt]:
        """Speed against what the motor can do at this voltage."""
        motor = self._motor
        if motor is None or not look.voltage_v > 0.0 or not look.speed_rpm > 0.0:
            return
        top_rpm = motor.rpm_per_volt * look.voltage_v
        feeds = not self._has_current or self._rise_a(look) > self._sure_a
        pct = self._settled_pct(look)
        share = None if pct is None else pct / 100
        most = FASTEST if share is None else min(DOUBLE * share + DOUBLE_OFFSET, FASTEST)
        steady = self._is_steady(look)
        said = (
            f"Speed is {amount(look.speed_rpm, 'speed_rpm')}; at "
            f"{amount(look.voltage_v, 'voltage_v')}{self._at_throttle()} the motor "
        )
        if self._held("double", feeds and steady and look.speed_rpm > most * top_rpm):
            text = (
                f"{said}turns at most {top_rpm * (share or 1.0):.0f} rpm. Look at "
                "pulses_per_revolution: edges may be counted twice."
            )
            yield Doubt("speed_rpm", "too fast", text, look.speed_rpm)
        least_rpm = 0.0
        if share is not None and motor.resistance_ohm and share >= HALF_KNOWN_FROM:
            lost_v = motor.resistance_ohm * max(self._known(look.current_a), 0.0) / share
            least_rpm = HALF_KNOWN * motor.rpm_per_volt * (share * look.voltage_v - lost_v)
        elif share is not None and share >= HALF_FROM:
            least_rpm = HALF * share * top_rpm
        if self._held("half", feeds and steady and look.speed_rpm < least_rpm):
            text = (
                f"{said}turns at least {least_rpm:.0f} rpm. Look at the tachometer's marks and "
                "pulses_per_revolution: marks may be missed."
            )
            yield Doubt("speed_rpm", "too slow", text, look.speed_rpm, blinds)

    def _voltage(self, look: Look, lives: bool) -> Iterator[Doubt]:
        low = lives and look.voltage_v <= self._bottom_v
        if self._held("no voltage", low):
            text = (
                f"Voltage reads {amount(look.voltage_v, 'voltage_v')} while the motor is driven. "
                "Look at the divider: its upper resistor or its lead is open."
            )
            blinds = "voltage_v" in self._tripping
            yield Doubt("voltage_v", "no voltage", text, look.voltage_v, blinds)
        before = self._ago(look, SETTLED_S)
        if before is None or not self._changed_lately(look):
            self._held("sag", False)
            return
        rise_v, rise_a = look.voltage_v - before.voltage_v, look.current_a - before.current_a
        rises = rise_a > max(SAG_A * self._scale_a, self._sure_a)
        if self._held("sag", rises and rise_v > SAG_V * before.voltage_v):
            text = (
                f"Voltage rose by {rise_v:.2f} V while current rose by {rise_a:.1f} A. Look at the "
                "divider's ground: the motor's current must not flow through it."
            )
            yield Doubt("voltage_v", "rises with current", text, look.voltage_v)

    def _nothing(self, look: Look, lives: bool) -> Iterator[Doubt]:
        """A throttle without an effect, or no throttle at all."""
        if lives or not (self._has_current or self._has_speed):
            return
        if (self._has_current and math.isnan(look.current_a)) or (
            self._has_speed and math.isnan(look.speed_rpm)
        ):
            return
        pct, given_s = self._pct, look.time_s - self._given_s
        both = self._has_current and self._has_speed
        least_pct = NOTHING_FROM_PCT if self._has_speed else NOTHING_UNSEEN_FROM_PCT
        if pct is not None and pct >= least_pct:
            if given_s >= (NOTHING_S if both else NOTHING_ALONE_S):
                column = "current_a" if self._has_current else "speed_rpm"
                seen = "neither current nor speed" if both else f"no {label_of(column).lower()}"
                text = (
                    f"Throttle is {pct:g} %, and {seen} is seen. Look at the controller's supply "
                    "and throttle lead; if the motor turns, at the sensors."
                )
                blinds = not both and column in self._tripping
                yield Doubt("throttle", "nothing happens", text, pct, blinds)
            return
        if look.time_s - self._on_s >= (NEVER_BY_HAND_S if pct is None else NEVER_S):
            yield from self.at_end()

    def _clipped(self, fresh: list[Sample]) -> Iterator[Doubt]:
        """Inputs at an end of their scale that have no trip level; those with one trip before."""
        for column in self._columns:
            if column in self._tripping or is_temperature(column):
                continue
            lines = sum(column in sample.clipped for sample in fresh)
            if self._held(f"clipped {column}", 2 * lines > len(fresh)):
                value = fresh[-1].values[self._columns.index(column)]
                text = (
                    f"{label_of(column)} is at the end of its scale ({amount(value, column)}): the "
                    "true value is not known. Look at its leads and its range."
                )
                yield Doubt(column, "clipped", text, value)

    # What is known of the drive

    def _held(self, name: str, present: bool, hold_s: float = HOLD_S) -> bool:
        """Whether `present` has lasted for `hold_s`."""
        time_s = self._looks[-1].time_s
        if not present:
            self._since_s.pop(name, None)
            return False
        since_s = self._since_s.setdefault(name, self._before_s)
        return time_s - since_s >= hold_s - 0.1 * JUDGE_EVERY_S

    def _ago(self, look: Look, seconds: float) -> Look | None:
        """The newest look at least `seconds` old."""
        for old in reversed(self._looks):
            if look.time_s - old.time_s >= seconds - 0.5 * JUDGE_EVERY_S:
                return old
        return None

    def _lately(self, look: Look, seconds: float) -> list[Look]:
        return [old for old in self._looks if look.time_s - old.time_s <= seconds]

    def _rise_a(self, look: Look) -> float:
        """Current above that of the stand at rest."""
        return look.current_a - self._known(self._rest_a)

    def _driven_hold_s(self, look: Look) -> float:
        """How long a wrong current must last: until the rotor can be said not to coast."""
        if self._pct is not None and self._pct <= 0.0:
            return math.inf
        if not self._has_speed:
            return math.inf if self._settled_pct(look) is None else HOLD_S
        before = self._ago(look, LOOK_BACK_S)
        if before is None or not look.speed_rpm > 0.0:
            return math.inf
        if look.time_s - self._flowed_s < LOOK_BACK_S:
            # The reading of a rotor that coasts from here on may still rise: it comes late.
            return math.inf
        rises = look.speed_rpm > (1.0 + RISES) * before.speed_rpm
        if rises and look.speed_rpm > (1.0 + STILL_RISES) * self._looks[-2].speed_rpm:
            return HOLD_S
        if self._pct is not None and not self._lowered:
            return HOLD_S if look.speed_rpm >= (1.0 - STEADY) * before.speed_rpm else math.inf
        fastest_rpm = max(old.speed_rpm for old in self._lately(look, COAST_S))
        return COAST_S if look.speed_rpm >= (1.0 - STEADY) * fastest_rpm else math.inf

    def _is_steady(self, look: Look) -> bool:
        before = self._ago(look, LOOK_BACK_S)
        return before is not None and (
            abs(look.speed_rpm - before.speed_rpm) <= STEADY * before.speed_rpm
        )

    def _share(self, look: Look) -> float:
        """The rotor's speed as a share of its highest, or less; 0 where it is not known."""
        if self._motor is not None and look.voltage_v > 0.0 and look.speed_rpm > 0.0:
            return min(look.speed_rpm / (self._motor.rpm_per_volt * look.voltage_v), 1.0)
        if self._speed_limit_rpm and look.speed_rpm > 0.0:
            return min(look.speed_rpm / self._speed_limit_rpm, 1.0)
        pct = self._settled_pct(look)
        return 0.0 if pct is None else pct / 100

    def _settled_pct(self, look: Look) -> float | None:
        """The throttle, where it is known and the rotor has had time to follow."""
        return self._pct if look.time_s - self._changed_s >= SETTLED_S else None

    def _changed_lately(self, look: Look) -> bool:
        return self._pct is None or look.time_s - self._changed_s <= 2.0 * SETTLED_S

    def _at_throttle(self) -> str:
        return "" if self._pct is None else f" and {self._pct:g} % throttle"

    @staticmethod
    def _known(value: float) -> float:
        return value if value == value else 0.0


def _highest(stand: Stand, key: str) -> float | None:
    """The trip level above, or else the warning."""
    level = stand.limits.level(key)
    return None if level is None else level.trip_over or level.warn_over
