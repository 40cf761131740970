"""The change of a temperature rise: in kelvin, and in percent only where the rises are large."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from rig.analysis.answers import Change
from rig.analysis.contrasts import critical
from rig.analysis.runs import Run

PERCENT_FROM = 10.0
"""A percentage needs rises of at least so many times their expanded uncertainty."""

K = 2.0
"""Coverage factor of an expanded uncertainty (JCGM 100:2008, 6.2)."""

TOO_SMALL = "too small to tell"


def rise_in_kelvin(
    change: Change,
    before: Sequence[Run],
    after: Sequence[Run],
    measured: Sequence[Mapping[str, Any]] = ({}, {}),
) -> Change:
    """`change` of `<column>_rise` with `change_k` and its 95 % interval, and `note`.

    `measured` are the means of the two setups with the stand's uncertainty, where it is known.
    `why` says why there is no percent, and is empty where there may be one. The interval is
    Welch's, with what the stand adds to the difference; a drift over the day is not taken out.
    """
    quantity = change.quantity
    rises = [abs(change.baseline), abs(change.variant)]
    own = [_own_u(runs, quantity) for runs in (before, after)]
    stand = [means.get(quantity, 0.0) for means in measured]
    reach = [K * math.hypot(u, _u(part)) for (u, _), part in zip(own, stand, strict=True)]
    column = quantity.removesuffix("_rise")
    rising = any(column in run.still_rising for run in (*before, *after))
    change = replace(change, note="still rising" if rising else "")
    if all(rise <= u for rise, u in zip(rises, reach, strict=True)):
        return replace(change, why=TOO_SMALL)
    change_k = change.variant - change.baseline
    scatter, df = _welch(own)
    combined = math.hypot(scatter, _u(stand[1] - stand[0]))
    interval = None
    if df > 0.0:
        half = critical(min(df * (combined / scatter) ** 4, 1e6) if scatter else 1e6) * combined
        interval = (change_k - half, change_k + half)
    large = all(rise >= PERCENT_FROM * u for rise, u in zip(rises, reach, strict=True))
    why = "" if large else f"less than {PERCENT_FROM:g} times its uncertainty: no percent"
    return replace(change, change_k=change_k, ci95_k=interval, why=why)


def _own_u(runs: Sequence[Run], quantity: str) -> tuple[float, float]:
    """The standard uncertainty of the mean of the runs, and its degrees of freedom."""
    values = [run.figures[quantity] for run in runs]
    errors = [run.errors.get(quantity, 0.0) for run in runs]
    readings = float(np.sqrt(np.mean(np.square(errors)) / len(runs)))
    if len(runs) < 2:
        return readings, 0.0
    return max(float(np.std(values, ddof=1)) / math.sqrt(len(runs)), readings), len(runs) - 1.0


def _welch(sides: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """The uncertainty of a difference and its degrees of freedom (B. L. Welch, Biometrika 34
    (1947) 28-35); 0 where a side has none.
    """
    u = math.hypot(*(side[0] for side in sides))
    if any(df <= 0.0 for _, df in sides):
        return u, 0.0
    power = sum(side**4 / df for side, df in sides)
    return u, u**4 / power if power else math.inf


def _u(value: Any) -> float:
    return float(getattr(value, "std_dev", 0.0))
