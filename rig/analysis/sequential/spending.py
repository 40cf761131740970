"""Group-sequential critical values by error spending.

One side of a test. A spending function says which error probability may be used up when a share
`t` of the planned information is there (K. K. G. Lan and D. L. DeMets, Biometrika 70 (1983)
659-663). The critical value of each look follows from the density of the score, carried from
look to look (P. Armitage, C. K. McPherson and B. C. Rowe, J. R. Statist. Soc. A 132 (1969)
235-244). There is no lower bound: going on in spite of a poor estimate costs nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

NODES = 48
_LOWEST = -6.0
"""Where the score's density is cut off, in standard deviations below its mean: 1e-9 is lost."""

_LEAST = 1e-14
"""A look that may spend less than this cannot decide: its critical value is infinite."""


def power_spending(t: float, alpha: float, rho: float = 2.0) -> float:
    """alpha t^rho (K. Kim and D. L. DeMets, Biometrika 74 (1987) 149-154)."""
    return alpha * math.pow(min(t, 1.0), rho)


def obrien_fleming_spending(t: float, alpha: float) -> float:
    """2 - 2 Phi(z / sqrt t) with z the upper alpha/2 point, for one side (Lan and DeMets 1983).

    Campaigns do not use it: after three runs it spends nothing worth the look. Printed critical
    values exist for it, which check the recursion.
    """
    return 2.0 * float(special.ndtr(special.ndtri(alpha / 2.0) / math.sqrt(min(t, 1.0))))


def critical_values(information: Sequence[float], spent: Sequence[float]) -> list[float]:
    """The critical value of each look, in standard errors.

    `information` at each look, ascending, in any unit; `spent` is the error probability used up
    after it, not descending. Infinite where a look has nothing to spend.
    """
    steps, used = tuple(information), tuple(spent)
    return [_state(steps[: k + 1], used[: k + 1])[0] for k in range(len(steps))]


def crossing(
    information: Sequence[float], critical: Sequence[float], effect: float = 0.0
) -> list[float]:
    """The probability that the statistic has passed its critical value by each look.

    `effect` is the true difference; its score grows by effect x information.
    """
    passed, total, score = [], 0.0, _START
    for upper, info in zip(critical, information, strict=True):
        bound = upper * math.sqrt(info)
        total += score.beyond(bound, info, effect)
        score = score.carried(bound, info, effect)
        passed.append(total)
    return passed


class _Density:
    """The density of the score below the bound at one look, as weights on nodes."""

    __slots__ = ("information", "nodes", "weights")

    def __init__(self, information: float, nodes: Floats, weights: Floats) -> None:
        self.information, self.nodes, self.weights = information, nodes, weights

    def beyond(self, bound: float, information: float, effect: float = 0.0) -> float:
        """The probability to be above `bound` at the next look."""
        grown = information - self.information
        mean = self.nodes + effect * grown
        return float(self.weights @ special.ndtr((mean - bound) / math.sqrt(grown)))

    def at(self, score: Floats, information: float, effect: float = 0.0) -> Floats:
        """The density at the next look, shape of `score`."""
        grown = information - self.information
        distance = (score[:, None] - self.nodes - effect * grown) / math.sqrt(grown)
        kernel = np.exp(-0.5 * distance**2) / math.sqrt(2.0 * math.pi * grown)
        found: Floats = kernel @ self.weights
        return found

    def carried(self, bound: float, information: float, effect: float = 0.0) -> _Density:
        """What stays below `bound` at the next look."""
        spread, mean = math.sqrt(information), effect * information
        low, high = mean + _LOWEST * spread, min(bound, mean - _LOWEST * spread)
        half = max(high - low, 0.0) / 2.0
        points, weights = _gauss_legendre()
        nodes = low + half * (points + 1.0)
        return _Density(information, nodes, half * weights * self.at(nodes, information, effect))

    def bound(self, information: float, probability: float) -> float:
        """The bound that is passed at the next look with `probability`.

        Newton's steps on the logarithm of the probability, which is concave: from a bound that
        is passed less often they come nearer from one side.
        """
        found = -float(special.ndtri(probability)) * math.sqrt(information)
        for _ in range(60):
            above = self.beyond(found, information)
            if above <= 0.0:
                return math.inf
            slope = -float(self.at(np.array([found]), information)[0]) / above
            step = math.log(above / probability) / slope
            found -= step
            if abs(step) < 1e-11 * math.sqrt(information):
                break
        return found


_START = _Density(0.0, np.zeros(1), np.ones(1))


@lru_cache(maxsize=4096)
def _state(information: tuple[float, ...], spent: tuple[float, ...]) -> tuple[float, _Density]:
    """The last look's critical value, and the density below it; kept, since looks are added."""
    if len(information) == 1:
        before, used = _START, 0.0
    else:
        before, used = _state(information[:-1], spent[:-1])[1], spent[-2]
    now = information[-1]
    if not now > before.information or spent[-1] < used - _LEAST:
        raise ValueError("information and spent error must grow from look to look")
    bound = before.bound(now, spent[-1] - used) if spent[-1] - used > _LEAST else math.inf
    return bound / math.sqrt(now), before.carried(bound, now)


@lru_cache(maxsize=1)
def _gauss_legendre() -> tuple[Floats, Floats]:
    points, weights = np.polynomial.legendre.leggauss(NODES)
    return points, weights
