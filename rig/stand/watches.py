"""What an alarm is, and what is watched on each side of each quantity.

`rig.stand.limits` judges; this room says how an alarm reads and which levels there are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.stand.model import Level, Stand
from rig.stand.quantities import column_of, is_temperature, label_of, unit_of
from rig.vocabulary import AlarmState, Severity

WARNING, TRIP, CLEARED = Severity.WARNING, Severity.TRIP, Severity.CLEARED


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
    state: AlarmState


@dataclass(slots=True)
class Watch:
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
    asleep: bool = False
    """Set until a reading comes up to the levels: a motor at rest is not one that runs slow."""
    calm_from: float = math.inf
    calm_to: float = -math.inf
    """Between these, exclusive, a reading changes nothing here. `settle` keeps them."""

    def __post_init__(self) -> None:
        self.settle()

    @property
    def levels(self) -> list[float]:
        """The levels there are."""
        return [level for level in (self.warn, self.trip) if level is not None]

    def settle(self) -> None:
        """Say which readings leave this watch as it is."""
        if self.asleep:
            self.calm_from, self.calm_to = -math.inf, max(self.levels)
        elif self.warned or self.beyond_warn_s is not None or self.beyond_trip_s is not None:
            self.calm_from, self.calm_to = math.inf, -math.inf
        elif self.sign > 0:
            self.calm_from, self.calm_to = -math.inf, min(self.levels)
        else:
            self.calm_from, self.calm_to = max(self.levels), math.inf


def watches_of(stand: Stand, columns: tuple[str, ...]) -> list[Watch]:
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


def _sides(column: str, index: int, level: Level) -> list[Watch]:
    rows = (
        ("over", 1.0, level.warn_over, level.trip_over),
        ("under", -1.0, level.warn_under, level.trip_under),
    )
    return [
        Watch(
            column,
            index,
            cause,
            sign,
            warn,
            trip,
            level.hysteresis,
            level.hold_s,
            asleep=cause == "under" and _starts_from_nothing(column),
        )
        for cause, sign, warn, trip in rows
        if warn is not None or trip is not None
    ]


def _starts_from_nothing(column: str) -> bool:
    return column != "voltage_v" and not is_temperature(column)


def level_alarm(watch: Watch, severity: str, value: float, limit: float, time_s: float) -> Alarm:
    words: dict[str, str] = {WARNING: "warning level", TRIP: "limit", CLEARED: "warning level"}
    relation = "back inside" if severity == CLEARED else ("over" if watch.sign > 0 else "under")
    text = (
        f"{label_of(watch.column)} is {amount(value, watch.column)}, {relation} "
        f"the {words[severity]} of {amount(limit, watch.column)}"
        f"{' (cell under-voltage)' if watch.cause.startswith('cell') else ''}."
    )
    shown = value if math.isfinite(value) else None
    return Alarm(time_s, severity, watch.column, watch.cause, shown, limit, text)


def amount(value: float, column: str) -> str:
    places = 0 if column.endswith(("_rpm", "_w")) else 1
    return f"{value:.{places}f} {unit_of(column)}"
