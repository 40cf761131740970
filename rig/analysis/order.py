"""Whether the order of the runs separates the setups from a drift of the stand.

A stand warms up, a pack empties, the air changes: over a day readings drift. What a comparison
may then say depends on the order of the runs alone, never on the data:

- **in turn** (A B A B ..., A B B A ..., most orders by lot): a step of the readings between any
  two runs, however large, widens the interval by more than it moves the estimate. `SAFE_SHARE` of
  the interval's reach is the most it may move it; where the order alone gives more, the reach
  is widened. A straight drift is taken out if that helps.
- **there and back** (A A A B B B A A A): the variant is compared with the baseline before it, and
  again with the baseline after it. A drift in one direction moves the two estimates
  apart, with the truth between them, so the interval covers both. A drift that goes up and down
  again is not seen.
- **one after the other** (A A A B B B): nothing separates a drift from the change.

What holds for steps holds for every drift in one direction: each is a sum of steps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from rig.analysis.contrasts import Contrast, Floats, Model, critical, weighted

IN_TURN, THERE_AND_BACK = "in turn", "there and back"
ONE_AFTER_THE_OTHER, UNKNOWN = "one after the other", "unknown"

SAFE_SHARE = 0.6
"""The share of the interval's reach by which a step may move the estimate. Ours, by simulation of
steps of 1 to 8 times the scatter: over orders by lot 1 % of such steps pass for a change, over
A B A B ... 3 %; in an order that just has this share, 9 % at the worst place."""

FEWEST_SWITCHES = 3
"""From one setup to the other, in runs that are called in turn; A-B-A has two."""

MOST_SHARE = 1.0
"""Beyond this share widening gives more away than comparing there and back."""


@dataclass(frozen=True, slots=True)
class Order:
    """How the runs of two setups follow each other, and whether a straight drift is taken out."""

    kind: str
    takes_out_drift: bool = False
    share: float = 0.0
    """How far a step moves the estimate at most, in reaches of the interval."""

    @property
    def separates(self) -> bool:
        """Whether a drift cannot pass for a change."""
        return self.kind in (IN_TURN, THERE_AND_BACK)


@lru_cache(maxsize=256)
def order_of(
    setups: tuple[str, ...], began_s: tuple[float, ...], baseline: str, variant: str
) -> Order:
    """The order of the runs of `baseline` and `variant` among all runs.

    `began_s` is when each run began, in ascending order; nan is not known.
    """
    if not _is_known(began_s):
        return Order(UNKNOWN)
    lined, share = drift_choice(setups, began_s, {variant: 1.0, baseline: -1.0})
    _, before, after = _blocks(setups, baseline, variant)
    if share <= MOST_SHARE and len(after) >= FEWEST_SWITCHES:
        return Order(IN_TURN, lined, share)
    switches = set(zip(before, after, strict=True))
    if {(baseline, variant), (variant, baseline)} <= switches:
        return Order(THERE_AND_BACK)
    return Order(ONE_AFTER_THE_OTHER)


def contrasts(
    order: Order,
    setups: Sequence[str],
    values: Floats,
    time_s: Floats,
    baseline: str,
    variant: str,
) -> tuple[Contrast, ...]:
    """`variant` minus `baseline` for each column of `values`, shape (runs, q).

    Two contrasts where the runs go there and back: the truth is within reach of one of them or
    between the two.
    """
    if order.kind == THERE_AND_BACK:
        return _there_and_back(setups, values, baseline, variant)
    model = Model(tuple(setups), values, time_s if order.takes_out_drift else None)
    return (widened(model.contrast(baseline, variant), order.share),)


def widened(contrast: Contrast, share: float) -> Contrast:
    """`contrast` with as much scatter as brings `share` of a step down to SAFE_SHARE."""
    factor = max(1.0, min(share, MOST_SHARE) / SAFE_SHARE)
    return replace(contrast, covariance=contrast.covariance * factor**2)


def drift_choice(
    setups: Sequence[str], began_s: Sequence[float], factors: Mapping[str, float]
) -> tuple[bool, float]:
    """Whether a straight drift is better taken out, and the share of a step that is left then.

    For the sum of the setups' means times `factors`. No drift is taken out of runs whose times
    are not known.
    """
    if not _is_known(began_s):
        return False, 0.0
    time_s = np.array(began_s)
    lined, plain = (
        _worst_step(setups, time_s, factors, takes_out_drift=out) for out in (True, False)
    )
    return (True, lined) if lined <= SAFE_SHARE or lined < plain else (False, plain)


def _is_known(began_s: Sequence[float]) -> bool:
    return all(map(math.isfinite, began_s)) and max(began_s) > min(began_s)


def _worst_step(
    setups: Sequence[str],
    time_s: Floats,
    factors: Mapping[str, float],
    *,
    takes_out_drift: bool,
) -> float:
    """How far a step between two runs moves the estimate, in reaches of the interval.

    The largest over all places; without a drift in the model also for a straight one.
    """
    count = len(setups)
    steps = np.tril(np.ones((count, count)))[:, 1:]
    if not takes_out_drift:
        ramp = (time_s - time_s[0]) / np.ptp(time_s)
        steps = np.column_stack([steps, ramp])
    model = Model(tuple(setups), steps, time_s if takes_out_drift else None)
    found = model.combination(factors)
    if not found.df.all():
        return np.inf
    moved = np.abs(found.estimates) > 1e-9
    reach = np.sqrt(np.diag(found.covariance)) * [critical(df) for df in found.df]
    share = np.abs(found.estimates[moved]) / np.maximum(reach[moved], 1e-12)
    return float(share.max(initial=0.0))


def _there_and_back(
    setups: Sequence[str], values: Floats, baseline: str, variant: str
) -> tuple[Contrast, ...]:
    """The variant compared with the baseline before it, and with the baseline after it."""
    block, before, after = _blocks(setups, baseline, variant)
    means = np.array([(block == b) / (block == b).sum() for b in range(len(after) + 1)])
    leave = _within_blocks(setups, block)
    found = []
    for sign, switch in ((1.0, (baseline, variant)), (-1.0, (variant, baseline))):
        places = [i for i, pair in enumerate(zip(before, after, strict=True)) if pair == switch]
        weights = sign * np.mean([means[i + 1] - means[i] for i in places], axis=0)
        found.append(weighted(setups, values, weights, leave))
    return tuple(found)


def _within_blocks(setups: Sequence[str], block: Floats) -> Floats:
    """The projection onto each run's distance from the mean of its block.

    From the mean of its setup where the setup's blocks are too short to show its scatter.
    """
    count = len(setups)
    leave = np.eye(count)
    for setup in dict.fromkeys(setups):
        mine = np.array([name == setup for name in setups])
        blocks = set(block[mine])
        long_enough = mine.sum() - len(blocks) >= 2
        groups = [mine & (block == b) for b in blocks] if long_enough else [mine]
        for group in groups:
            leave[np.ix_(group, group)] -= 1.0 / group.sum()
    return leave


def _blocks(
    setups: Sequence[str], baseline: str, variant: str
) -> tuple[Floats, list[str], list[str]]:
    """Which block each run is in, from 0, and the setup before and after each switch.

    A block is consecutive runs of one of the two setups; other setups are in block -1.
    """
    block = np.full(len(setups), -1.0)
    names: list[str] = []
    for row, setup in enumerate(setups):
        if setup not in (baseline, variant):
            continue
        if not names or names[-1] != setup:
            names.append(setup)
        block[row] = len(names) - 1
    return block, names[:-1], names[1:]
