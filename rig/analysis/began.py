"""When runs began, also where the computer's clock was changed between them.

Two clocks are read for each run: the wall clock (UTC), which anyone can set, and the clock that
counts from the computer's start, which no one can. The difference of the two stays the same until
the wall clock is changed. A change to winter time changes no UTC.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

CHANGED_FROM_S = 2.0
"""A smaller change cannot put two runs into another order."""

MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Made:
    """What is known about the time of one run.

    `utc_s` is its wall clock and `ahead_s` how far that is ahead of the clock since `boot`, an
    id of the computer's start; nan and empty where they are not known. `series` and `run` say
    which numbers follow one another; a `run` of 0 is no number.
    """

    name: str
    utc_s: float
    boot: str = ""
    ahead_s: float = math.nan
    series: tuple[str, str] = ("", "")
    run: int = 0


def began(runs: Sequence[Made]) -> tuple[list[float], list[str]]:
    """When each run began, in s, and warnings about the clock, a line each.

    Where the wall clock was changed, the runs of one boot are placed by the clock since boot,
    so that the latest one keeps its wall time. Runs of different boots keep their UTC.
    """
    began_s = [run.utc_s for run in runs]
    changes: list[float] = []
    for places in _boots(runs):
        in_order = sorted(places, key=lambda place: runs[place].utc_s - runs[place].ahead_s)
        steps_s = [runs[b].ahead_s - runs[a].ahead_s for a, b in pairwise(in_order)]
        changed = [step_s for step_s in steps_s if abs(step_s) > CHANGED_FROM_S]
        changes += changed
        for place in in_order if changed else ():
            began_s[place] += runs[in_order[-1]].ahead_s - runs[place].ahead_s
    warnings = []
    if changes:
        by = " and ".join(f"{change_s:+.0f} s" for change_s in changes[:MOST_NAMED])
        more = f" and {len(changes) - MOST_NAMED} times more" if len(changes) > MOST_NAMED else ""
        warnings.append(
            f"the clock of this computer was changed between runs by {by}{more}: the runs are "
            "compared in the order in which they were made"
        )
    against = list(_against_numbers(runs, began_s))
    if against:
        earlier, later = against[0]
        more = f" (and {len(against) - 1} more like it)" if len(against) > 1 else ""
        warnings.append(
            f"{later.name} has a later run number than {earlier.name}, but an earlier time"
            f"{more}: was the clock changed? The runs are compared in the order of their times"
        )
    return began_s, warnings


def _boots(runs: Sequence[Made]) -> list[list[int]]:
    """The places of the runs of each boot of which both clocks are known."""
    boots: dict[str, list[int]] = defaultdict(list)
    for place, run in enumerate(runs):
        if run.boot and math.isfinite(run.utc_s) and math.isfinite(run.ahead_s):
            boots[run.boot].append(place)
    return list(boots.values())


def _against_numbers(runs: Sequence[Made], began_s: Sequence[float]) -> Iterator[tuple[Made, Made]]:
    """Neighbours by number whose times go the other way.

    Numbers that come twice are those of several folders, and say nothing.
    """
    series: dict[tuple[str, str], list[int]] = defaultdict(list)
    for place, run in enumerate(runs):
        if run.run > 0 and math.isfinite(began_s[place]):
            series[run.series].append(place)
    for places in series.values():
        if len({runs[place].run for place in places}) < len(places):
            continue
        for a, b in pairwise(sorted(places, key=lambda place: runs[place].run)):
            if began_s[b] < began_s[a]:
                yield runs[a], runs[b]
