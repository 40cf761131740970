"""What differs between two setups besides the change under test, and what it may do.

Likely effects are on speed, in percent, to be held against the change of speed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.runs import Run

WINDING_SHARE = 0.1
"""The part of the supply's voltage that a winding drops in a usual run: common practice, no
source. With copper's 0.393 %/K (IEC 60028) 1 K costs so much of 0.393 % of speed."""

COPPER_PCT_PER_K = 0.393
LOST_PCT = 1.0
"""Lost lines are worth a word from this share on."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One difference. `speed_pct` is its likely effect on speed, None where nobody can say."""

    name: str
    text: str
    speed_pct: float | None


def conditions(before: Sequence[Run], after: Sequence[Run]) -> tuple[Condition, ...]:
    """The differences between the runs of two setups that may stand behind a change."""
    found: list[Condition] = []
    # At rest: under load a supply sags by what the change itself draws.
    volts = [_mean(runs, "voltage_rest_v") for runs in (before, after)]
    if all(volt > 0.0 for volt in volts):
        pct = 100.0 * (volts[1] / volts[0] - 1.0)
        text = f"supply at rest {volts[0]:.2f} V and {volts[1]:.2f} V ({pct:+.2f} %)"
        found.append(Condition("supply voltage", text, pct))
    starts = [_mean(runs, "motor_degc_start") for runs in (before, after)]
    if all(math.isfinite(start) for start in starts):
        rise = starts[1] - starts[0]
        text = f"motor began at {starts[0]:.1f} degC and {starts[1]:.1f} degC ({rise:+.1f} K)"
        found.append(Condition("start temperature", text, -rise * COPPER_PCT_PER_K * WINDING_SHARE))
    throttles = [sorted({run.throttle for run in runs}) for runs in (before, after)]
    if throttles[0] != throttles[1] or len(throttles[0]) > 1:
        sides = [" or ".join(map(_steps, side)) for side in throttles]
        text = f"throttle {sides[0]} against {sides[1]}"
        found.append(Condition("throttle", text, None))
    if len({id(run.stand) for run in [*before, *after]}) > 1:
        text = "not all runs have the same calibration: its errors do not cancel"
        found.append(Condition("calibration", text, None))
    if not all(run.measured() for run in [*before, *after]):
        text = "runs without a calibration: what the stand reads wrong is not in the intervals"
        found.append(Condition("no calibration", text, None))
    lost = [max(_lost_pct(run) for run in runs) for runs in (before, after)]
    if max(lost) >= LOST_PCT:
        text = f"lines lost or invalid: up to {lost[0]:.1f} % and {lost[1]:.1f} % of a run"
        found.append(Condition("lost lines", text, None))
    found += _pairs(before, after)
    return tuple(found)


def _pairs(before: Sequence[Run], after: Sequence[Run]) -> list[Condition]:
    """The tester's own pairs that are not the same in all runs, a difference for each key."""
    runs = [*before, *after]
    found = []
    for key in dict.fromkeys(key for run in runs for key in run.pairs):
        if len({run.pairs.get(key) for run in runs}) > 1:
            sides = [f"{_values(side, key)} in {side[0].setup}" for side in (before, after)]
            found.append(Condition(f"with {key}", f"{key}: {', '.join(sides)}", None))
    return found


def _values(runs: Sequence[Run], key: str) -> str:
    return " or ".join(sorted({run.pairs.get(key, "not noted") for run in runs}))


def _mean(runs: Sequence[Run], key: str) -> float:
    return float(np.mean([run.figures.get(key, math.nan) for run in runs]))


def _steps(throttle: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{percent:g} % for {seconds:g} s" for percent, seconds in throttle) or "-"


def _lost_pct(run: Run) -> float:
    lines = run.counts.get("lines", 0)
    bad = run.counts.get("lost", 0) + run.counts.get("invalid", 0)
    return 100.0 * bad / lines if lines else 0.0
