"""Limits: samples and time in, alarms out. No clock of its own.

A quantity that passes its warning level warns, and the warning clears once the reading has
come back by more than the hysteresis; one that passes its trip level for `hold_s` trips. A
trip latches: it is reported once and only a new run forgets it. The words for an alarm's
state follow ISA-18.2 / IEC 62682 (unacknowledged, acknowledged, returned to normal, latched;
from memory).

Levels act in every state in which limits are judged. A supply below its voltage must not be
armed either, and so with a temperature; but speed, current, power, torque and thrust start
from nothing, and their under levels act only once a reading has come up to them.

A reading that stands still is stuck: noise moves the sum of several conversions, so one that
does not change by a single step for `stuck_s` while current flows trips. A digital temperature
sensor has coarse steps and no noise, may well stand still, and is not judged; neither are
speed and power, which come from others. A converter without noise needs a longer `stuck_s`.

Readings that cannot be true while the motor is driven are doubted by `rig.stand.plausibility`:
those that blind a trip level trip, the others warn until they are good again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import ParamSpec

from rig.stand.driven import Doubt
from rig.stand.losses import Losses
from rig.stand.model import Digital, Stand
from rig.stand.overcurrent import InverseTime
from rig.stand.plausibility import Plausibility
from rig.stand.quantities import column_of, is_temperature, label_of
from rig.stand.sampler import Sample
from rig.stand.watches import (
    CLEARED,
    TRIP,
    WARNING,
    ActiveAlarm,
    Watch,
    amount,
    level_alarm,
    watches_of,
)
from rig.stand.watches import Alarm as Alarm
from rig.vocabulary import STALE, AlarmState

P = ParamSpec("P")

WARN_OF_LONGEST_RUN = 0.9
WARN_OF_INVERSE_TIME = 0.5
FAULT_HOLD_S = 0.05
"""A sensor must be open or shorted for so long before it trips: one bad conversion is noise."""

CLIPPED_IN_A_ROW = 3
"""So many lines at the end of scale count as clipped where a trip level exists."""

STUCK_FROM_A = 5.0
"""Current from which on a live motor's own noise must move what is measured."""

DOUBT_CLEARS_S = 1.0
"""A doubtful reading has been good for so long before its warning clears."""


class Guard:
    """Judges one run. `columns` are those of the samples it will be given.

    `on_trip` is called once, the moment a trip is known and before a word is put to it.
    `plausibility` is that of the same samples; without it only limits are judged.
    """

    def __init__(
        self,
        stand: Stand,
        columns: Sequence[str],
        on_trip: Callable[[], None] | None = None,
        plausibility: Plausibility | None = None,
    ) -> None:
        self.tripped: Alarm | None = None
        self._on_trip = on_trip
        self._limits = stand.limits
        self._columns = tuple(columns)
        self._watches = watches_of(stand, self._columns)
        self._must_not_clip = frozenset(
            watch.column for watch in self._watches if watch.trip is not None
        ) | ({"current_a"} if stand.limits.overcurrent else set())
        self._temperatures = frozenset(column for column in columns if is_temperature(column))
        overcurrent = stand.limits.overcurrent
        self._current = self._columns.index("current_a") if "current_a" in columns else None
        has_inverse = overcurrent is not None and self._current is not None
        self._inverse = InverseTime(overcurrent) if has_inverse and overcurrent else None
        self._inverse_warned = False
        self._last_s: float | None = None
        self._fault_since_s: dict[tuple[str, str], float] = {}
        self._clipped_lines: dict[str, int] = {}
        self._warned_longest = False
        coarse = {column_of(c.key) for c in stand.channels if isinstance(c.sensor, Digital)}
        self._may_stick = [
            (index, column)
            for index, column in enumerate(self._columns)
            if column not in coarse | {"speed_rpm", "power_w"}
        ]
        self._moved_s = [-math.inf] * len(self._columns)
        self._before: Sequence[float] = [math.nan] * len(self._columns)
        self._losses = Losses()
        self._plausibility = plausibility
        self._doubted_s: dict[tuple[str, str], float] = {}
        """When each doubt that warned was last there."""
        self._active: dict[tuple[str, str], ActiveAlarm] = {}

    @property
    def active(self) -> tuple[ActiveAlarm, ...]:
        """What still matters, with its state."""
        return tuple(self._active.values())

    def acknowledge(self) -> None:
        """The operator has seen what is active. A trip stays latched."""
        for key, active in list(self._active.items()):
            if active.state == AlarmState.RETURNED:
                del self._active[key]
            elif active.alarm.severity == TRIP:
                self._active[key] = ActiveAlarm(active.alarm, AlarmState.LATCHED_ACKNOWLEDGED)
            else:
                self._active[key] = ActiveAlarm(active.alarm, AlarmState.ACKNOWLEDGED)

    def check(self, time_s: float, sample: Sample, lost: int = 0) -> list[Alarm]:
        """Judge one line. `lost` is how many lines are missing before it."""
        alarms: list[Alarm] = []
        values = sample.values
        for watch in self._watches:
            value = values[watch.index]
            # A reading that is not there (nan) is neither inside nor equal to itself.
            if not watch.calm_from < value < watch.calm_to and value == value:
                self._judge(watch, value, time_s, alarms)
                watch.settle()
        if sample.clipped or self._clipped_lines:
            self._judge_clipped(sample, time_s, alarms)
        if sample.faults or self._fault_since_s:
            self._judge_faults(sample, time_s, alarms)
        if self._inverse is not None and self._current is not None:
            current_a = values[self._current]
            if self._inverse.used or abs(current_a) > self._inverse.settings.pickup_a:
                self._judge_inverse_time(current_a, time_s, alarms)
        self._judge_losses(time_s, lost, alarms)
        self._judge_stuck(values, time_s, alarms)
        plausibility = self._plausibility
        if plausibility is not None:
            plausibility.add(sample)
            if time_s >= plausibility.due_s:
                self._take_doubts(plausibility.judge(time_s), time_s, alarms)
        self._last_s = time_s
        return alarms

    def check_time(self, now_s: float, last_line_s: float, started_s: float | None) -> list[Alarm]:
        """Judge what only a clock can tell: stale data and the longest run (host's time)."""
        alarms: list[Alarm] = []
        silence_s, stale_s = now_s - last_line_s, self._limits.stale_s
        if silence_s > stale_s:
            text = f"No line from the board for {silence_s:.2f} s, {stale_s:g} s is the limit."
            self._trip(alarms, Alarm, now_s, TRIP, "link", STALE, silence_s, stale_s, text)
        longest_s = self._limits.longest_run_s
        if longest_s is not None and started_s is not None:
            ran_s = now_s - started_s
            if ran_s >= longest_s:
                text = f"The run has lasted {ran_s:.1f} s, {longest_s:g} s is the longest allowed."
                self._trip(alarms, Alarm, now_s, TRIP, "run", "longest run", ran_s, longest_s, text)
            elif ran_s >= WARN_OF_LONGEST_RUN * longest_s and not self._warned_longest:
                self._warned_longest = True
                text = f"The run ends by its longest time in {longest_s - ran_s:.1f} s."
                self._warn(
                    Alarm(now_s, WARNING, "run", "longest run", ran_s, longest_s, text), alarms
                )
        return alarms

    def check_end(self) -> list[Alarm]:
        """What is to be said of a run that ends as planned."""
        alarms: list[Alarm] = []
        if self._plausibility is not None and self._last_s is not None:
            self._take_doubts(self._plausibility.at_end(), self._last_s, alarms)
        return alarms

    def _judge(self, watch: Watch, value: float, time_s: float, alarms: list[Alarm]) -> None:
        beyond = watch.sign * value
        if watch.asleep:
            watch.asleep = value < max(watch.levels)
            return
        if watch.trip is not None:
            if beyond > watch.sign * watch.trip:
                if watch.beyond_trip_s is None:
                    watch.beyond_trip_s = time_s
                if time_s - watch.beyond_trip_s >= watch.hold_s:
                    self._trip(alarms, level_alarm, watch, TRIP, value, watch.trip, time_s)
            else:
                watch.beyond_trip_s = None
        if watch.warn is None:
            return
        if beyond > watch.sign * watch.warn:
            if watch.beyond_warn_s is None:
                watch.beyond_warn_s = time_s
            if not watch.warned and time_s - watch.beyond_warn_s >= watch.hold_s:
                watch.warned = True
                alarm = level_alarm(watch, WARNING, value, watch.warn, time_s)
                # A warning that comes with its own trip comes before it.
                self._warn(alarm, alarms, first=True)
        else:
            watch.beyond_warn_s = None
            if watch.warned and beyond < watch.sign * watch.warn - watch.hysteresis:
                watch.warned = False
                self._clear(level_alarm(watch, CLEARED, value, watch.warn, time_s), alarms)

    def _judge_clipped(self, sample: Sample, time_s: float, alarms: list[Alarm]) -> None:
        for column in self._must_not_clip:
            lines = self._clipped_lines.get(column, 0) + 1 if column in sample.clipped else 0
            value = sample.values[self._columns.index(column)]
            if not lines:
                self._clipped_lines.pop(column, None)
                continue
            self._clipped_lines[column] = lines
            if lines < CLIPPED_IN_A_ROW:
                continue
            text = (
                f"{label_of(column)} is at the end of its scale ({amount(value, column)}): "
                "the true value is not known and counts as over the limit."
            )
            self._trip(alarms, Alarm, time_s, TRIP, column, "clipped", value, None, text)

    def _judge_faults(self, sample: Sample, time_s: float, alarms: list[Alarm]) -> None:
        present = {fault for fault in sample.faults if fault[0] in self._temperatures}
        for gone in self._fault_since_s.keys() - present:
            del self._fault_since_s[gone]
        for fault in present:
            since_s = self._fault_since_s.setdefault(fault, time_s)
            if time_s - since_s >= FAULT_HOLD_S:
                column, word = fault
                text = f"The sensor of {label_of(column).lower()} is {word}."
                self._trip(alarms, Alarm, time_s, TRIP, column, word, None, None, text)

    def _judge_inverse_time(self, current_a: float, time_s: float, alarms: list[Alarm]) -> None:
        inverse = self._inverse
        if inverse is None or self._last_s is None or current_a != current_a:
            return
        used = inverse.advance(max(0.0, time_s - self._last_s), current_a)
        pickup_a = inverse.settings.pickup_a
        if used >= 1.0:
            text = (
                f"Current has been over {pickup_a:g} A for too long (curve "
                f"{inverse.settings.curve}, now {current_a:.1f} A)."
            )
            self._trip(
                alarms, Alarm, time_s, TRIP, "current_a", "inverse-time", current_a, pickup_a, text
            )
        elif used >= WARN_OF_INVERSE_TIME and not self._inverse_warned:
            self._inverse_warned = True
            text = (
                f"Current is over {pickup_a:g} A: {100 * used:.0f} % of the time allowed is used."
            )
            alarm = Alarm(time_s, WARNING, "current_a", "inverse-time", current_a, pickup_a, text)
            self._warn(alarm, alarms)
        elif used <= 0.0:
            self._inverse_warned = False

    def _judge_losses(self, time_s: float, lost: int, alarms: list[Alarm]) -> None:
        share, limit = self._losses.share(time_s, lost), self._limits.lost_fraction
        if share > limit:
            text = f"{100 * share:.0f} % of the lines are lost, {100 * limit:g} % is the limit."
            self._trip(alarms, Alarm, time_s, TRIP, "link", "lines lost", share, limit, text)

    def _judge_stuck(self, values: Sequence[float], time_s: float, alarms: list[Alarm]) -> None:
        before, moved_s = self._before, self._moved_s
        self._before = values
        flowing = self._current is not None and values[self._current] >= STUCK_FROM_A
        oldest_s = time_s - self._limits.stuck_s
        for index, column in self._may_stick:
            if not flowing or values[index] != before[index]:
                moved_s[index] = time_s
            elif moved_s[index] <= oldest_s and self.tripped is None:
                stuck_s = self._limits.stuck_s
                text = f"{label_of(column)} has not moved for {stuck_s:g} s while current flows."
                self._trip(
                    alarms, Alarm, time_s, TRIP, column, "stuck", values[index], stuck_s, text
                )

    def _take_doubts(self, doubts: list[Doubt], time_s: float, alarms: list[Alarm]) -> None:
        """Those that blind a trip level trip; the others warn, and clear when they have gone."""
        for doubt in doubts:
            about = (doubt.quantity, doubt.cause)
            rest = (*about, doubt.value, None, doubt.text)
            if doubt.blinds:
                self._trip(alarms, Alarm, time_s, TRIP, *rest)
                continue
            if about not in self._doubted_s:
                self._warn(Alarm(time_s, WARNING, *rest), alarms)
            self._doubted_s[about] = time_s
        for about, seen_s in list(self._doubted_s.items()):
            if time_s - seen_s >= DOUBT_CLEARS_S:
                del self._doubted_s[about]
                text = f"{label_of(about[0])} ({about[1]}): in doubt no more."
                self._clear(Alarm(time_s, CLEARED, *about, None, None, text), alarms)

    def _trip(
        self, alarms: list[Alarm], describe: Callable[P, Alarm], *args: P.args, **kwargs: P.kwargs
    ) -> None:
        if self.tripped is None:
            if self._on_trip is not None:
                self._on_trip()
            self.tripped = alarm = describe(*args, **kwargs)
            self._active[alarm.quantity, alarm.cause] = ActiveAlarm(alarm, AlarmState.LATCHED)
            alarms.append(alarm)

    def _warn(self, alarm: Alarm, alarms: list[Alarm], *, first: bool = False) -> None:
        self._active.setdefault(
            (alarm.quantity, alarm.cause), ActiveAlarm(alarm, AlarmState.UNACKNOWLEDGED)
        )
        alarms.insert(0 if first else len(alarms), alarm)

    def _clear(self, alarm: Alarm, alarms: list[Alarm]) -> None:
        key = alarm.quantity, alarm.cause
        active = self._active.get(key)
        if active is not None and active.alarm.severity == WARNING:
            if active.state == AlarmState.ACKNOWLEDGED:
                del self._active[key]
            else:
                self._active[key] = ActiveAlarm(active.alarm, AlarmState.RETURNED)
        alarms.append(alarm)
