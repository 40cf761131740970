"""Where a curve crosses zero, and which speeds a tester's own use has."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from rig.analysis.contrasts import Floats
from rig.analysis.effects import Interval
from rig.analysis.steps import OverSteps
from rig.errors import SettingsError

LARGEST_THROTTLE = 100.0
"""A key of a use up to this is a throttle step in percent, above it a speed in rpm."""

BEYOND = 0.1
"""A speed that lies outside the shared range by up to this share counts as its end: the lowest
step of the slower of two setups always lies a little outside. Ours, no source."""


def use_speeds(
    use: Mapping[float, float], baseline: Sequence[OverSteps], range_rpm: Interval
) -> tuple[Floats, Floats]:
    """The speeds of a use and the share of time at each, both of shape (entries,).

    Throttle steps stand for the mean speeds that `baseline` has there. Raises SettingsError for a
    step that was not run, a speed outside the shared range, and shares that are not positive.
    """
    low, high = range_rpm
    speeds = []
    for key, share in use.items():
        if not (math.isfinite(share) and share > 0.0):
            raise SettingsError(f"{share:g} is not a share of time", where="--use",
                                to_do="Shares are above 0, such as 30:20,60:70,90:10.")  # fmt: skip
        rpm = key if key > LARGEST_THROTTLE else _at_step(key, baseline)
        if not low * (1.0 - BEYOND) <= rpm <= high * (1.0 + BEYOND):
            raise SettingsError(
                f"{rpm:.0f} rpm is outside the speeds that all runs share",
                where="--use",
                to_do=f"They share {low:.0f} to {high:.0f} rpm.",
            )
        speeds.append(min(max(rpm, low), high))
    shares = np.array(list(use.values()), dtype=float)
    return np.array(speeds), shares / shares.sum() if len(shares) else shares


def _at_step(throttle_pct: float, baseline: Sequence[OverSteps]) -> float:
    steps = baseline[0].throttle_pct
    at = np.isclose(steps, throttle_pct, atol=0.05)
    if not at.any():
        raise SettingsError(
            f"no step of {throttle_pct:g} % was run",
            where="--use",
            to_do=f"The steps are {', '.join(f'{step:g}' for step in steps)} %.",
        )
    return float(np.mean([means.speed_rpm[at].mean() for means in baseline]))


def crossings(x: Floats, y: Floats) -> tuple[float, ...]:
    """Where the line through the points (x, y) changes its sign."""
    found = []
    for i in range(len(x) - 1):
        if y[i] * y[i + 1] < 0.0:
            found.append(float(x[i] + (x[i + 1] - x[i]) * y[i] / (y[i] - y[i + 1])))
    return tuple(found)


def ranges_above_zero(x: Floats, y: Floats) -> tuple[Interval, ...]:
    """The ranges of x in which the line through the points (x, y) is not below zero.

    None where y is not known.
    """
    if not np.isfinite(y).all():
        return ()
    found: list[Interval] = []
    for i in range(len(x) - 1):
        (left, right), (low, high) = x[i : i + 2].tolist(), y[i : i + 2].tolist()
        if low < 0.0 and high < 0.0:
            continue
        zero = left + (right - left) * low / (low - high) if low != high else left
        part = (left if low >= 0.0 else zero, right if high >= 0.0 else zero)
        if found and found[-1][1] == part[0]:
            found[-1] = (found[-1][0], part[1])
        else:
            found.append(part)
    return tuple(found)
