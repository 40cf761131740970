"""Which of a stand's limits an estimated operating point would pass, and how soon."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from rig.stand.model import Limits, OverCurrent, Stand
from rig.stand.overcurrent import trip_time_s
from rig.stand.quantities import label_of
from rig.stand.watches import Watch, amount, watches_of

SURELY, PERHAPS = "", "may "
_COVERAGE = 2.0
"""Within so many standard uncertainties of a limit, a point may pass it."""


def passed(limits: Limits, reached: Mapping[str, Any]) -> tuple[str, ...]:
    """The limits that a steady point at `reached` passes, in words, trips first.

    `reached` maps columns to numbers or `UFloat`s. Of each limit its trip level is named, or
    else its warning level; also the inverse-time over-current, with its time to trip.
    """
    found = list(_levels(limits, reached))
    if limits.overcurrent is not None and "current_a" in reached:
        found += _overcurrent(limits.overcurrent, reached["current_a"])
    return tuple(sorted(found, key=lambda words: "trip" not in words))


def _levels(limits: Limits, reached: Mapping[str, Any]) -> Iterator[str]:
    for watch in watches_of(Stand("", limits=limits), tuple(reached)):
        for certainty in (SURELY, PERHAPS):
            words = _level(watch, certainty, reached[watch.column])
            if words:
                yield words
                break


def _level(watch: Watch, certainty: str, value: Any) -> str:
    edge = _edge(value, watch.sign, certainty)
    for severity, level in (("trip", watch.trip), ("warn", watch.warn)):
        if level is not None and (edge - level) * watch.sign > 0.0:
            relation = "over" if watch.sign > 0 else "under"
            what = f"{label_of(watch.column).lower()} {relation} {amount(level, watch.column)}"
            return f"{_verb(certainty, severity)}: {what}"
    return ""


def _overcurrent(settings: OverCurrent, current_a: Any) -> Iterator[str]:
    for certainty in (SURELY, PERHAPS):
        seconds = trip_time_s(settings, _edge(current_a, 1.0, certainty))
        if math.isfinite(seconds):
            verb = _verb(certainty, "trip")
            yield f"{verb} after {float(f'{seconds:.2g}'):g} s: inverse-time over-current"
            return


def _verb(certainty: str, severity: str) -> str:
    return f"{certainty}{severity}" if certainty else f"{severity}s"


def _edge(value: Any, sign: float, certainty: str) -> float:
    """The value itself, or what it may reach."""
    nominal = float(getattr(value, "nominal_value", value))
    reach = _COVERAGE * float(getattr(value, "std_dev", 0.0))
    return nominal if certainty == SURELY else nominal + sign * reach
