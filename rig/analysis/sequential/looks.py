"""One look at the runs so far: the word, the estimate and its interval.

The plan is made before the first run: what is compared, the smallest gain worth having, all runs
in order, the error probability of each side. At each look the gain is tested against the smallest
one on both sides, with Student's t at the level that the look may use: the normal critical value
gives the level, and the level Student's critical value (C. Jennison and B. W. Turnbull, Group
Sequential Methods, 2000: the significance-level approach). The repeated interval uses the same
critical value, and the word is read from it, so the two cannot contradict each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from rig.analysis.contrasts import Contrast
from rig.analysis.order import contrasts, order_of
from rig.analysis.sequential.schedule import FEWEST_RUNS
from rig.analysis.sequential.spending import critical_values, power_spending
from rig.analysis.verdict import CANNOT_TELL, NOT_WORTH, WORTH

GO_ON = "go on"

ALPHA = 0.02
"""Error probability of each side. 2.5 % is what is promised: the rest is for Student's critical
values, which are near, not exact, and for a drift that is not straight."""

CAUTION = (
    "The campaign ended early because the answer was clear; the true change is probably somewhat "
    "less than shown."
)

_SAME = 1e-9
"""Information that grew by less than this share did not grow, and such a look spends nothing."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is asked of one variant, fixed before the first run."""

    baseline: str
    variant: str
    smallest: float
    """The smallest gain worth having, in the unit of the values."""
    order: tuple[str, ...]
    """The setup of each planned run, other variants included; as it stands after a variant has
    dropped out or the most runs were raised."""
    alpha: float = ALPHA


@dataclass(frozen=True, slots=True)
class Estimate:
    """Variant minus baseline."""

    value: float
    error: float
    """Standard error."""
    df: float
    information: float
    """One over the sum of squared weights of the runs."""


@dataclass(frozen=True, slots=True)
class Look:
    """What one look found. `information` and `spent` are all that later looks need."""

    word: str
    estimates: tuple[Estimate, ...]
    """One; two where the runs go there and back, with the truth within reach of one or between."""
    interval: tuple[float, float]
    """The repeated interval, at 1 - 2 alpha for all looks together."""
    p_worth: float
    """One-sided: how likely so large a gain is where the true one is just the smallest."""
    p_not_worth: float
    level: float
    """Nominal, one-sided: the p below which this look decides."""
    information: float
    spent: float
    """Error probability of one side used up so far."""
    time: float
    """Share of the planned information, at most 1."""

    @property
    def value(self) -> float:
        """Variant minus baseline."""
        return sum(found.value for found in self.estimates) / len(self.estimates)

    @property
    def decided(self) -> bool:
        """Whether this look gave an answer."""
        return self.word in (WORTH, NOT_WORTH)

    @property
    def caution(self) -> str:
        """What must be said beside an answer that came early; empty otherwise."""
        return CAUTION if self.decided and self.time < 1.0 else ""


def look(
    plan: Plan,
    setups: Sequence[str],
    values: ArrayLike,
    began_s: ArrayLike,
    earlier: Sequence[Look] = (),
    *,
    last: bool = False,
) -> Look | None:
    """Look at the usable runs so far; None where they cannot say anything.

    That is where a setup has fewer than three, or their order does not separate a drift from the
    change. Such a look spends nothing.

    `values` and `began_s` have shape (runs,), in the order in which the runs began. `earlier` are
    the looks that were taken, in order; one that was skipped is left out. `last`: no further
    run is planned. Where a mounting serves several runs, pass mountings for runs (`per_mounting`),
    in the plan too. Raises ValueError after an answer or a last look: from there on there is only
    the estimate (`estimates`).
    """
    if earlier and earlier[-1].word != GO_ON:
        raise ValueError("the question was closed by an earlier look")
    if min(setups.count(name) for name in (plan.baseline, plan.variant)) < FEWEST_RUNS:
        return None
    found = estimates(plan, setups, values, began_s)
    if not all(math.isfinite(one.error) for one in found):
        return None
    information = min(one.information for one in found)
    time = share_of_plan(plan, information)
    spent, level = level_of(plan, information, earlier)
    reaches = [_reach(one, level) for one in found]
    low = min(one.value - reach for one, reach in zip(found, reaches, strict=True))
    high = max(one.value + reach for one, reach in zip(found, reaches, strict=True))
    ended = last or time >= 1.0
    word = (
        WORTH if low > plan.smallest
        else NOT_WORTH if high < plan.smallest
        else CANNOT_TELL if ended
        else GO_ON
    )  # fmt: skip
    above = max(_tail(one, plan.smallest) for one in found)
    below = max(1.0 - _tail(one, plan.smallest) for one in found)
    return Look(word, found, (low, high), above, below, level, information, spent, time)


def estimates(
    plan: Plan, setups: Sequence[str], values: ArrayLike, began_s: ArrayLike
) -> tuple[Estimate, ...]:
    """Variant minus baseline under the linear model of `rig.analysis.contrasts`.

    The order of the runs alone chooses whether a straight drift is taken out.
    """
    times = np.asarray(began_s, dtype=float)
    column = np.asarray(values, dtype=float)[:, None]
    order = order_of(tuple(setups), tuple(times.tolist()), plan.baseline, plan.variant)
    found = contrasts(order, setups, column, times, plan.baseline, plan.variant)
    return tuple(_estimate(one, separates=order.separates) for one in found)


def planned_information(plan: Plan) -> float:
    """One over the sum of squared weights when all planned runs are made, evenly in time."""
    return information_of(plan, plan.order)


def share_of_plan(plan: Plan, information: float) -> float:
    """The share of the planned information, at most 1."""
    share = information / planned_information(plan)
    return share if share < 1.0 - _SAME else 1.0


@lru_cache(maxsize=1024)
def information_of(plan: Plan, setups: tuple[str, ...]) -> float:
    """One over the sum of squared weights of these runs, made evenly in time."""
    evenly = np.arange(len(setups), dtype=float)
    found = estimates(plan, setups, np.zeros(len(setups)), evenly)
    return min(one.information for one in found)


def next_spent(plan: Plan, time: float, earlier: tuple[float, float] | None) -> float:
    """Error probability of one side that may be used up at `time`.

    `earlier` is the time of the last look, under the same plan, and what was used up by then.
    Under an unchanged plan this is the spending function. Where the number of runs was raised, or
    runs were lost, what is left is spent on what is left of the information, in the same way.
    """
    if earlier is None:
        return power_spending(time, plan.alpha)
    then, spent = earlier
    if time >= 1.0:
        return plan.alpha
    left = 1.0 - power_spending(then, 1.0)
    grown = power_spending(time, 1.0) - power_spending(then, 1.0)
    return spent + (plan.alpha - spent) * max(grown, 0.0) / left


class Spent(Protocol):
    """What later looks need to know of a look."""

    @property
    def information(self) -> float: ...
    @property
    def spent(self) -> float: ...
    @property
    def level(self) -> float: ...


def level_of(plan: Plan, information: float, earlier: Sequence[Spent]) -> tuple[float, float]:
    """The error probability of one side used up after a look, and the look's nominal level.

    A look without more information than an earlier one has that one's level.
    """
    time = share_of_plan(plan, information)
    steps: list[Spent] = []
    for one in earlier:
        if not steps or _grew(steps[-1].information, one.information):
            steps.append(one)
    if not steps:
        spent = next_spent(plan, time, None)
        return spent, spent
    before = steps[-1]
    if not _grew(before.information, information):
        return before.spent, before.level
    then = share_of_plan(plan, before.information)
    spent = next_spent(plan, time, (then, before.spent))
    critical = critical_values(
        [*(one.information for one in steps), information], [*(one.spent for one in steps), spent]
    )
    return spent, float(special.ndtr(-critical[-1]))


def _grew(before: float, now: float) -> bool:
    return now > before * (1.0 + _SAME)


def _estimate(contrast: Contrast, *, separates: bool) -> Estimate:
    """An infinite error where the scatter, or what a drift did, is not known."""
    variance = float(contrast.covariance[0, 0])
    known = separates and math.isfinite(variance)
    return Estimate(
        float(contrast.estimates[0]),
        math.sqrt(variance) if known else math.inf,
        min(float(contrast.df[0]), 1e6) if known else 1.0,
        1.0 / float(contrast.weights @ contrast.weights),
    )


def _reach(one: Estimate, level: float) -> float:
    return math.inf if level <= 0.0 else -float(special.stdtrit(one.df, level)) * one.error


def _tail(one: Estimate, smallest: float) -> float:
    """The probability of an estimate at least so large where the truth is `smallest`."""
    distance = one.value - smallest
    if one.error == 0.0:
        return 0.5 - 0.5 * math.copysign(1.0, distance) if distance else 0.5
    return float(special.stdtr(one.df, -distance / one.error))
