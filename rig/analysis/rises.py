"""What may be said of the change of a temperature rise: K, and percent only of large rises."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.analysis.answers import Change
from rig.analysis.runs import Run

PERCENT_FROM = 10.0
"""A percentage needs rises of at least so many times their expanded uncertainty."""

K = 2.0
"""Coverage factor of an expanded uncertainty (JCGM 100:2008, 6.2)."""

TOO_SMALL = "too small to tell"


def judged_rise(change: Change, before: Sequence[Run], after: Sequence[Run]) -> Change:
    """`change` of `<column>_rise`, in K, between the runs of two setups.

    Without a change where both rises are within their expanded uncertainty; with `rise_pct`
    where both are at least PERCENT_FROM times as large; with a note where a temperature still
    rose when a recording ended.
    """
    column = change.quantity.removesuffix("_rise")
    if any(column in run.still_rising for run in (*before, *after)):
        change = replace(change, note="still rising")
    rises = (abs(change.baseline), abs(change.variant))
    reach = [K * _u(runs, change.quantity) for runs in (before, after)]
    if all(rise <= u for rise, u in zip(rises, reach, strict=True)):
        return replace(change, change=None, ci95=None, why=TOO_SMALL)
    if all(rise >= PERCENT_FROM * u for rise, u in zip(rises, reach, strict=True)):
        return replace(change, rise_pct=100.0 * (change.variant / change.baseline - 1.0))
    return change


def _u(runs: Sequence[Run], quantity: str) -> float:
    """The standard uncertainty of the mean rise: from the runs, their readings, the stand."""
    runs = [run for run in runs if math.isfinite(run.figures.get(quantity, math.nan))]
    values = [run.figures[quantity] for run in runs]
    errors = [run.errors.get(quantity, 0.0) for run in runs]
    readings = float(np.sqrt(np.mean(np.square(errors)) / len(runs)))
    scatter = float(np.std(values, ddof=1)) / math.sqrt(len(runs)) if len(runs) > 1 else 0.0
    # The components are the same in all runs, so their part does not average out.
    stand = max(float(getattr(run.measured.get(quantity), "std_dev", 0.0)) for run in runs)
    return math.hypot(max(scatter, readings), stand)
