"""A reading against its limits: where the levels lie, what to call it, a bar. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.stand.model import Stand
from rig.stand.quantities import is_temperature, places_of
from rig.stand.watches import watches_of

_TOP_WITHOUT_LEVELS = {"power_w": 1000.0, "speed_rpm": 10_000.0}

MARKS = {"WARN": " ▲ WARN", "TRIP": " ■ TRIP", "": ""}
"""How a reading's word is shown: a shape goes with it."""

FILLED, EMPTY, WARN, TRIP = "█", "·", "╎", "┃"


@dataclass(frozen=True, slots=True)
class Levels:
    """The levels of one column; None where there is none."""

    warn_over: float | None = None
    trip_over: float | None = None
    warn_under: float | None = None
    trip_under: float | None = None

    def word(self, value: float, *, clipped: bool = False) -> str:
        """`TRIP`, `WARN` or nothing, for a reading against its levels."""
        if clipped or _beyond(value, self.trip_over, self.trip_under):
            return "TRIP"
        return "WARN" if _beyond(value, self.warn_over, self.warn_under) else ""

    def span(self, column: str, peak: float) -> tuple[float, float]:
        """The ends of the bar: room for all levels, and for the peak where there are none."""
        known = [v for v in (self.warn_over, self.trip_over) if v is not None]
        under = [v for v in (self.warn_under, self.trip_under) if v is not None]
        if known:
            top = 1.08 * max(known)
        else:
            least = _TOP_WITHOUT_LEVELS.get(column, 10.0)
            top = max(least, 1.2 * peak if math.isfinite(peak) else least)
        return (0.9 * min(under) if under else 0.0), top


def levels_of(stand: Stand, columns: tuple[str, ...]) -> dict[str, Levels]:
    """The levels of each column, cells counted in; where two say the same, the stricter."""
    found: dict[str, dict[str, float]] = {column: {} for column in columns}
    for watch in watches_of(stand, columns):
        side = "over" if watch.sign > 0 else "under"
        nearest = min if watch.sign > 0 else max
        for kind, level in (("warn", watch.warn), ("trip", watch.trip)):
            if level is not None:
                place = found[watch.column]
                place[f"{kind}_{side}"] = nearest(place.get(f"{kind}_{side}", level), level)
    overcurrent = stand.limits.overcurrent
    if overcurrent is not None and "current_a" in found:
        # From the pickup on the time is counted: that is worth a mark of its own.
        found["current_a"].setdefault("warn_over", overcurrent.pickup_a)
    return {column: Levels(**levels) for column, levels in found.items()}


def amount_shown(value: float, column: str, *, clipped: bool = False) -> str:
    """A reading with a fixed number of places."""
    if clipped:
        return "over"
    return "---" if math.isnan(value) else f"{value:.{places_of(column)}f}"


def bar(value: float, levels: Levels, span: tuple[float, float], width: int) -> str:
    """A bar of `width` characters, with marks where the levels lie."""
    low, high = span

    def place(at: float) -> int:
        share = (at - low) / (high - low) if high > low else 0.0
        return round(min(max(share, 0.0), 1.0) * width)

    filled = 0 if math.isnan(value) else place(value)
    cells = [FILLED] * filled + [EMPTY] * (width - filled)
    marks = (
        (levels.warn_over, WARN),
        (levels.warn_under, WARN),
        (levels.trip_over, TRIP),
        (levels.trip_under, TRIP),
    )
    for level, mark in marks:
        if level is not None and width:
            cells[min(place(level), width - 1)] = mark
    return "".join(cells)


def in_words(seconds: float) -> str:
    """A time as people say it; nothing from an hour on."""
    if seconds >= 3600.0:
        return ""
    return f"{seconds / 60:.0f} min" if seconds >= 120.0 else f"{seconds:.0f} s"


def is_small(column: str) -> bool:
    """Whether a column gets a line and not large digits."""
    return is_temperature(column) or column in ("torque_nm", "thrust_n")


def _beyond(value: float, over: float | None, under: float | None) -> bool:
    return (over is not None and value > over) or (under is not None and value < under)
