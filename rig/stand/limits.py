"""Limits: samples and time in, alarms out. No clock of its own.

A quantity that passes its warning level warns, and the warning clears once the reading has
come back by more than the hysteresis; one that passes its trip level for `hold_s` trips. A
trip latches: it is reported once and only a new run forgets it. The words for an alarm's
state follow ISA-18.2 / IEC 62682 (unacknowledged, acknowledged, returned to normal, latched;
from memory).

Under levels act like over levels, in every state in which limits are judged: a stand that
must not go below a voltage must not be armed below it either.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.stand.model import Level, Stand
from rig.stand.overcurrent import InverseTime
from rig.stand.quantities import column_of, is_temperature, label_of, unit_of
from rig.stand.sampler import Sample

WARN_OF_LONGEST_RUN = 0.9
WARN_OF_INVERSE_TIME = 0.5
FAULT_HOLD_S = 0.05
"""A sensor must be open or shorted for so long before it trips: one bad conversion is noise."""

CLIPPED_IN_A_ROW = 3
"""So many lines at the end of scale count as clipped where a trip level exists."""

LOST_OVER_S = 2.0
"""The span over which the share of lost lines is reckoned."""

STUCK_FROM_A = 5.0
"""Current from which on a live motor's own noise must move the current and voltage counts."""

WARNING, TRIP, CLEARED = "warning", "trip", "cleared"


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something passed a limit, or came back. `text` is one plain sentence."""

    time_s: float
    severity: str
    quantity: str
    cause: str
    value: float | None
    limit: float | None
    text: str


@dataclass(frozen=True, slots=True)
class ActiveAlarm:
    """An alarm that still matters, and its state in the words of ISA-18.2."""

    alarm: Alarm
    state: str


@dataclass(slots=True)
class _Watch:
    """One side of one quantity: the level to warn at, the level to trip at."""

    column: str
    index: int
    cause: str
    sign: float
    warn: float | None
    trip: float | None
    hysteresis: float
    hold_s: float
    beyond_warn_s: float | None = None
    beyond_trip_s: float | None = None
    warned: bool = False


class Guard:
    """Judges one run. `columns` are those of the samples it will be given."""

    def __init__(self, stand: Stand, columns: Sequence[str]) -> None:
        self.tripped: Alarm | None = None
        self._limits = stand.limits
        self._columns = tuple(columns)
        self._watches = _watches(stand, self._columns)
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
        self._warned_longest = self._warned_stale = False
        self._still: dict[int, tuple[float, float]] = {}
        self._losses: deque[tuple[float, int, int]] = deque()
        self._active: dict[tuple[str, str], ActiveAlarm] = {}

    @property
    def active(self) -> tuple[ActiveAlarm, ...]:
        """What still matters, with its state."""
        return tuple(self._active.values())

    def acknowledge(self) -> None:
        """The operator has seen what is active. A trip stays latched."""
        for key, active in list(self._active.items()):
            if active.state == "returned to normal, unacknowledged":
                del self._active[key]
            elif active.alarm.severity == TRIP:
                self._active[key] = ActiveAlarm(active.alarm, "latched, acknowledged")
            else:
                self._active[key] = ActiveAlarm(active.alarm, "acknowledged")

    def check(self, time_s: float, sample: Sample, lost: int = 0) -> list[Alarm]:
        """Judge one line. `lost` is how many lines are missing before it."""
        alarms: list[Alarm] = []
        values = sample.values
        for watch in self._watches:
            value = values[watch.index]
            if value == value:
                self._judge(watch, value, time_s, alarms)
        if sample.clipped or self._clipped_lines:
            self._judge_clipped(sample, time_s, alarms)
        if sample.faults or self._fault_since_s:
            self._judge_faults(sample, time_s, alarms)
        if self._inverse is not None and self._current is not None:
            self._judge_inverse_time(values[self._current], time_s, alarms)
        self._judge_losses(time_s, lost, alarms)
        self._judge_stuck(values, time_s, alarms)
        self._last_s = time_s
        return alarms

    def check_time(self, now_s: float, last_line_s: float, started_s: float | None) -> list[Alarm]:
        """Judge what only a clock can tell: stale data and the longest run (host's time)."""
        alarms: list[Alarm] = []
        silence_s, stale_s = now_s - last_line_s, self._limits.stale_s
        if silence_s > stale_s:
            text = f"No line from the board for {silence_s:.2f} s, {stale_s:g} s is the limit."
            self._trip(Alarm(now_s, TRIP, "link", "stale", silence_s, stale_s, text), alarms)
        longest_s = self._limits.longest_run_s
        if longest_s is not None and started_s is not None:
            ran_s = now_s - started_s
            if ran_s >= longest_s:
                text = f"The run has lasted {ran_s:.1f} s, {longest_s:g} s is the longest allowed."
                self._trip(Alarm(now_s, TRIP, "run", "longest run", ran_s, longest_s, text), alarms)
            elif ran_s >= WARN_OF_LONGEST_RUN * longest_s and not self._warned_longest:
                self._warned_longest = True
                text = f"The run ends by its longest time in {longest_s - ran_s:.1f} s."
                self._warn(
                    Alarm(now_s, WARNING, "run", "longest run", ran_s, longest_s, text), alarms
                )
        return alarms

    def _judge(self, watch: _Watch, value: float, time_s: float, alarms: list[Alarm]) -> None:
        beyond = watch.sign * value
        if watch.trip is not None:
            if beyond > watch.sign * watch.trip:
                if watch.beyond_trip_s is None:
                    watch.beyond_trip_s = time_s
                if time_s - watch.beyond_trip_s >= watch.hold_s:
                    self._trip(_level_alarm(watch, TRIP, value, watch.trip, time_s), alarms)
            else:
                watch.beyond_trip_s = None
        if watch.warn is None:
            return
        if beyond > watch.sign * watch.warn:
            if watch.beyond_warn_s is None:
                watch.beyond_warn_s = time_s
            if not watch.warned and time_s - watch.beyond_warn_s >= watch.hold_s:
                watch.warned = True
                alarm = _level_alarm(watch, WARNING, value, watch.warn, time_s)
                # A warning that comes with its own trip comes before it.
                self._warn(alarm, alarms, first=True)
        else:
            watch.beyond_warn_s = None
            if watch.warned and beyond < watch.sign * watch.warn - watch.hysteresis:
                watch.warned = False
                self._clear(_level_alarm(watch, CLEARED, value, watch.warn, time_s), alarms)

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
                f"{label_of(column)} is at the end of its scale ({_amount(value, column)}): "
                "the true value is not known and counts as over the limit."
            )
            self._trip(Alarm(time_s, TRIP, column, "clipped", value, None, text), alarms)

    def _judge_faults(self, sample: Sample, time_s: float, alarms: list[Alarm]) -> None:
        present = {fault for fault in sample.faults if fault[0] in self._temperatures}
        for gone in self._fault_since_s.keys() - present:
            del self._fault_since_s[gone]
        for fault in present:
            since_s = self._fault_since_s.setdefault(fault, time_s)
            if time_s - since_s >= FAULT_HOLD_S:
                column, word = fault
                text = f"The sensor of {label_of(column).lower()} is {word}."
                self._trip(Alarm(time_s, TRIP, column, word, None, None, text), alarms)

    def _judge_inverse_time(self, current_a: float, time_s: float, alarms: list[Alarm]) -> None:
        inverse = self._inverse
        if inverse is None or self._last_s is None or current_a != current_a:
            return
        used = inverse.advance(time_s - self._last_s, current_a)
        pickup_a = inverse.settings.pickup_a
        if used >= 1.0:
            text = (
                f"Current has been over {pickup_a:g} A for too long (curve "
                f"{inverse.settings.curve}, now {current_a:.1f} A)."
            )
            alarm = Alarm(time_s, TRIP, "current_a", "inverse-time", current_a, pickup_a, text)
            self._trip(alarm, alarms)
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
        if not lost and not self._losses:
            return
        self._losses.append((time_s, lost, lost + 1))
        while self._losses and time_s - self._losses[0][0] > LOST_OVER_S:
            self._losses.popleft()
        if time_s - self._losses[0][0] < 0.5 * LOST_OVER_S:
            return
        share = sum(row[1] for row in self._losses) / sum(row[2] for row in self._losses)
        limit = self._limits.lost_fraction
        if share > limit:
            text = f"{100 * share:.0f} % of the lines are lost, {100 * limit:g} % is the limit."
            self._trip(Alarm(time_s, TRIP, "link", "lines lost", share, limit, text), alarms)

    def _judge_stuck(self, values: Sequence[float], time_s: float, alarms: list[Alarm]) -> None:
        """Readings that do not move by a single step for `stuck_s` while current flows."""
        flowing = self._current is not None and values[self._current] >= STUCK_FROM_A
        for index, value in enumerate(values):
            known = self._still.get(index)
            if known is None or known[0] != value or not flowing:
                self._still[index] = (value, time_s)
            elif time_s - known[1] >= self._limits.stuck_s and value != 0.0:
                column = self._columns[index]
                still_s = time_s - known[1]
                text = f"{label_of(column)} has not moved for {still_s:.0f} s while current flows."
                alarm = Alarm(time_s, TRIP, column, "stuck", value, self._limits.stuck_s, text)
                self._trip(alarm, alarms)

    def _trip(self, alarm: Alarm, alarms: list[Alarm]) -> None:
        if self.tripped is None:
            self.tripped = alarm
            self._active[alarm.quantity, alarm.cause] = ActiveAlarm(
                alarm, "latched, unacknowledged"
            )
            alarms.append(alarm)

    def _warn(self, alarm: Alarm, alarms: list[Alarm], *, first: bool = False) -> None:
        self._active.setdefault((alarm.quantity, alarm.cause), ActiveAlarm(alarm, "unacknowledged"))
        alarms.insert(0 if first else len(alarms), alarm)

    def _clear(self, alarm: Alarm, alarms: list[Alarm]) -> None:
        key = alarm.quantity, alarm.cause
        active = self._active.get(key)
        if active is not None and active.alarm.severity == WARNING:
            if active.state == "acknowledged":
                del self._active[key]
            else:
                self._active[key] = ActiveAlarm(active.alarm, "returned to normal, unacknowledged")
        alarms.append(alarm)


def _watches(stand: Stand, columns: tuple[str, ...]) -> list[_Watch]:
    watches = []
    for key, level in stand.limits.levels:
        column = column_of(key)
        if column in columns:
            watches += _sides(column, columns.index(column), level)
    cells, limits = stand.limits.cells, stand.limits
    if cells is not None and "voltage_v" in columns:
        level = Level(
            warn_under=None if limits.cell_warn_v is None else cells * limits.cell_warn_v,
            trip_under=None if limits.cell_trip_v is None else cells * limits.cell_trip_v,
            hold_s=limits.cell_hold_s,
        )
        for watch in _sides("voltage_v", columns.index("voltage_v"), level):
            watch.cause = "cell under-voltage"
            watches.append(watch)
    return watches


def _sides(column: str, index: int, level: Level) -> list[_Watch]:
    make: Callable[..., _Watch] = _Watch
    rows = (
        ("over", 1.0, level.warn_over, level.trip_over),
        ("under", -1.0, level.warn_under, level.trip_under),
    )
    return [
        make(column, index, cause, sign, warn, trip, level.hysteresis, level.hold_s)
        for cause, sign, warn, trip in rows
        if warn is not None or trip is not None
    ]


def _level_alarm(watch: _Watch, severity: str, value: float, limit: float, time_s: float) -> Alarm:
    words = {WARNING: "warning level", TRIP: "limit", CLEARED: "warning level"}
    relation = "back inside" if severity == CLEARED else ("over" if watch.sign > 0 else "under")
    text = (
        f"{label_of(watch.column)} is {_amount(value, watch.column)}, {relation} "
        f"the {words[severity]} of {_amount(limit, watch.column)}"
        f"{' (cell under-voltage)' if watch.cause.startswith('cell') else ''}."
    )
    shown = value if math.isfinite(value) else None
    return Alarm(time_s, severity, watch.column, watch.cause, shown, limit, text)


def _amount(value: float, column: str) -> str:
    places = 0 if column.endswith(("_rpm", "_w")) else 1
    return f"{value:.{places}f} {unit_of(column)}"
