"""How likely an answer is by a number of runs, and what a plan can resolve.

A forecast is a probability for each number of runs, never one number of runs: with few runs the
scatter and the gain are both poorly known, and both uncertainties are in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from rig.analysis.sequential.looks import (
    GO_ON,
    Look,
    Plan,
    information_of,
    level_of,
    next_spent,
    share_of_plan,
)
from rig.analysis.sequential.schedule import Schedule
from rig.analysis.sequential.spending import critical_values

UNLIKELY = 0.10
POWER = 0.80
_DRAWS = 4000


@dataclass(frozen=True, slots=True)
class _Planned:
    """A look to come."""

    information: float
    spent: float
    level: float


def planned_levels(plan: Plan, looks: Sequence[int]) -> list[tuple[float, float]]:
    """Information and nominal one-sided level of each planned look.

    `looks`: after how many planned runs.
    """
    information = [information_of(plan, plan.order[:runs]) for runs in looks]
    spent = [next_spent(plan, share_of_plan(plan, info), None) for info in information]
    critical = critical_values(information, spent)
    return [(i, float(special.ndtr(-c))) for i, c in zip(information, critical, strict=True)]


def resolution(
    plan: Plan, looks: Sequence[int], scatter: float, df: float, power: float = POWER
) -> float:
    """How far the true gain must be from the smallest one to be seen with `power` by the end.

    `scatter` is the standard deviation between runs, known with `df`; its 80 % upper limit is
    used (chi-squared; with infinite `df` the scatter itself). At the last look alone: the earlier
    ones make it a little better.
    """
    upper = scatter * math.sqrt(df / float(special.chdtri(df, 0.8))) if df < 1e6 else scatter
    information, level = planned_levels(plan, looks)[-1]
    last_df = _runs_of_pair(plan.order, plan) - 3.0
    critical = -float(special.stdtrit(last_df, level))
    distance = float(special.nctdtrinc(last_df, 1.0 - power, critical))
    return distance * upper / math.sqrt(information)


def chance_of_answer(
    plan: Plan, taken: Sequence[Look], schedule: Schedule, done: int, seed: int = 1
) -> float:
    """The predictive probability of an answer by the end of `schedule`.

    `taken` are the looks so far, at least one, `done` the number of planned runs so far. Another
    number of runs than planned is asked for by the schedule that would have it. The true gain and
    the scatter are drawn from what the last look knows of them (flat prior), then the looks to come
    are played; runs that will be lost are not foreseen.
    """
    now = taken[-1]
    if now.word != GO_ON:
        return float(now.decided)
    plan = replace(plan, order=schedule.runs)
    found = now.estimates[0]
    to_come = [runs for runs in schedule.looks if runs > done]
    if not to_come or not math.isfinite(found.error):
        return 0.0
    start = information_of(plan, plan.order[:done])
    information = [
        now.information + information_of(plan, plan.order[:runs]) - start for runs in to_come
    ]
    levels: list[_Planned] = []
    for info in information:
        spent, level = level_of(plan, info, [*taken, *levels])
        levels.append(_Planned(info, spent, level))
    more = [_runs_of_pair(plan.order[done:runs], plan) for runs in to_come]
    return _played(plan, found.value, found.error, found.df, now.information,
                   list(zip(levels, more, strict=True)), seed)  # fmt: skip


def advice(chance: float, most: int) -> str:
    """What is said where an answer by `most` runs is unlikely; empty otherwise."""
    return f"Unlikely to be settled by {most} runs of each setup." if chance < UNLIKELY else ""


def _played(
    plan: Plan,
    value: float,
    error: float,
    df: float,
    information: float,
    to_come: list[tuple[_Planned, int]],
    seed: int,
) -> float:
    """The share of drawn futures with an answer; `to_come`: looks, and how many runs later."""
    random = np.random.default_rng(seed)
    variance = error**2 * information
    true_variance = variance * df / random.chisquare(df, _DRAWS)
    gain = value + np.sqrt(true_variance / information) * random.normal(size=_DRAWS)
    score, squares = np.full(_DRAWS, value * information), np.full(_DRAWS, variance * df)
    answered, before, runs_before = np.zeros(_DRAWS, dtype=bool), information, 0
    for planned, runs in to_come:
        info = planned.information
        grown = max(info - before, 0.0)
        score += gain * grown + np.sqrt(true_variance * grown) * random.normal(size=_DRAWS)
        if runs > runs_before:
            squares += true_variance * random.chisquare(runs - runs_before, _DRAWS)
        reach = -float(special.stdtrit(df + runs, planned.level)) * np.sqrt(
            squares / (df + runs) / info
        )
        answered |= np.abs(score / info - plan.smallest) > reach
        before, runs_before = info, runs
    return float(answered.mean())


def _runs_of_pair(order: Sequence[str], plan: Plan) -> int:
    return sum(setup in (plan.baseline, plan.variant) for setup in order)
