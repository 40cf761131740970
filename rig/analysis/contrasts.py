"""One setup compared with another, from one number per run.

A linear model: a mean for every setup and, if it is asked for, a straight drift over the day.
Each setup has a scatter of its own. Without drift this is Welch's test (B. L. Welch,
Biometrika 34 (1947) 28-35); with it, the same reasoning with Satterthwaite's degrees of freedom
for the quadratic form that estimates the variance (F. E. Satterthwaite, Biometrics Bulletin 2
(1946) 110-114).

Why one number per run: the lines of a run share its temperature, its pack and its mounting, so
more lines do not make a comparison more certain; more runs do.

Why each setup has its own scatter: a changed part may be less repeatable than the old one. A
pooled scatter would then give an interval that is too narrow for the one setup and too wide
for the other. With unequal numbers of runs the pooled interval is simply wrong. The price of
Welch's test is fewer degrees of freedom, which matters only with very few runs.

Why the drift is one straight line: a day has few runs, so there is no data for a curve. Whether
the order of the runs can separate a drift from a change at all is decided in `order`, before
any reading is looked at. A term that the data itself selects would make intervals too narrow.

Why the quantities are solved together: their covariance is needed for ratios of two changes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Floats = NDArray[np.float64]

CONFIDENCE = 0.95

_NOTHING = 1e-12
"""A share of the variance below this is a rounding error."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """A difference between setups for each of q quantities.

    `estimates` and `df` have shape (q,), `covariance` (q, q). Where the scatter of a setup is
    not known (one run), `df` is 0 and `covariance` nan.
    """

    estimates: Floats
    covariance: Floats
    df: Floats
    weights: Floats
    """What each run contributes to the estimates, shape (runs,)."""


@dataclass(frozen=True, slots=True)
class Model:
    """The runs of several setups under one linear model."""

    setups: tuple[str, ...]
    """The setup of each run."""
    values: Floats
    """Shape (runs, q): the quantities, often logarithms."""
    time_s: Floats | None = None
    """Shape (runs,): when each run began, if a straight drift is to be taken out."""

    def contrast(self, baseline: str, variant: str) -> Contrast:
        """`variant` minus `baseline`."""
        return self.combination({variant: 1.0, baseline: -1.0})

    def combination(self, factors: Mapping[str, float]) -> Contrast:
        """The sum of the setups' means, each times its factor (0 if it has none)."""
        names = list(dict.fromkeys(self.setups))
        wanted = [factors.get(name, 0.0) for name in names]
        return self._estimate(np.array([*wanted, 0.0] if self.time_s is not None else wanted))

    def drift(self) -> Contrast:
        """The drift from the first run to the last. The model must have one."""
        wanted = np.zeros(len(set(self.setups)) + 1)
        wanted[-1] = 1.0
        return self._estimate(wanted)

    def residuals(self) -> Floats:
        """What the model leaves, shape (runs, q)."""
        columns = self._columns()
        rest: Floats = self.values - columns @ (np.linalg.pinv(columns) @ self.values)
        return rest

    def _columns(self) -> Floats:
        names = list(dict.fromkeys(self.setups))
        columns = [[float(setup == name) for setup in self.setups] for name in names]
        if self.time_s is not None:
            span_s = float(np.ptp(self.time_s)) or 1.0
            columns.append(((self.time_s - self.time_s.mean()) / span_s).tolist())
        return np.array(columns).T

    def _estimate(self, wanted: Floats) -> Contrast:
        columns = self._columns()
        solve = np.linalg.pinv(columns)
        leave = np.eye(len(columns)) - columns @ solve
        return weighted(self.setups, self.values, wanted @ solve, leave)


def weighted(setups: Sequence[str], values: Floats, weights: Floats, leave: Floats) -> Contrast:
    """The sum of the runs times `weights`, with a scatter of its own for each setup.

    `values` has shape (runs, q), `weights` (runs,). `leave`, shape (runs, runs), is the projection
    onto the residuals from which the scatter is estimated.
    """
    quantities = values.shape[1]
    rest = leave @ values
    covariance = np.zeros((quantities, quantities))
    scatter = np.zeros(values.shape)
    share = np.zeros(len(setups))
    for name in dict.fromkeys(setups):
        mine = np.array([setup == name for setup in setups])
        free = float(np.diag(leave)[mine].sum())
        carried = float((weights[mine] ** 2).sum())
        if carried <= _NOTHING:
            continue
        if free < 0.5:
            unknown = np.full((quantities, quantities), np.nan)
            return Contrast(weights @ values, unknown, np.zeros(quantities), weights)
        spread = rest[mine].T @ rest[mine] / free
        covariance += carried * spread
        scatter[mine] = np.diag(spread)
        share[mine] = carried / free
    df = _satterthwaite((leave * share) @ leave, scatter, float(np.trace(leave)))
    return Contrast(weights @ values, covariance, df, weights)


def _satterthwaite(form: Floats, variances: Floats, otherwise: float) -> Floats:
    """The degrees of freedom of a quadratic form of runs with `variances`, shape (runs, q).

    tr(form V)^2 / tr(form V form V), with V diagonal; `otherwise` where nothing varies.
    """
    one = (np.diag(form) @ variances) ** 2
    both = (variances * (form**2 @ variances)).sum(axis=0)
    known = both > 0.0
    return np.where(known, one / np.where(known, both, 1.0), otherwise)


def percent(logarithm: float) -> float:
    """A difference of logarithms as a change in percent."""
    return 100.0 * math.expm1(logarithm)


def critical(df: float, confidence: float = CONFIDENCE) -> float:
    """Student's two-sided critical value."""
    return float(special.stdtrit(min(df, 1e6), 0.5 + confidence / 2.0))


def detectable(df: float, power: float) -> float:
    """The difference, in standard errors, that a two-sided t-test at 5 % sees with `power`.

    From the noncentral t distribution; what lies beyond the other limit is left out.
    """
    df = min(df, 1e6)
    return float(special.nctdtrinc(df, 1.0 - power, critical(df)))


def family_critical(correlation: ArrayLike, df: float, confidence: float = CONFIDENCE) -> float:
    """The two-sided critical value that holds for all of several contrasts at once.

    For contrasts with one baseline this is Dunnett's (C. W. Dunnett, J. Am. Stat. Assoc. 50
    (1955) 1096-1121): the largest of correlated Student variates, `correlation` shape (k, k).
    `df` is rounded down to a whole number.
    """
    rounded = np.round(np.asarray(correlation, dtype=float), 3)
    if len(rounded) == 1:
        return critical(df, confidence)
    whole = int(min(max(df, 1.0), 1e6))
    return _family_critical(tuple(map(tuple, rounded.tolist())), whole, confidence)


@lru_cache(maxsize=1024)
def _family_critical(
    correlation: tuple[tuple[float, ...], ...], df: int, confidence: float
) -> float:
    # Only here, since it takes a second to load.
    from scipy import optimize, stats

    count = len(correlation)
    shape = stats.multivariate_t(shape=correlation, df=df, seed=1, allow_singular=True)

    def missing(limit: float) -> float:
        edge = np.full(count, limit)
        inside = shape.cdf(edge, lower_limit=-edge, random_state=np.random.default_rng(1))
        return float(inside) - confidence

    single = critical(df, confidence)
    bonferroni = critical(df, 1.0 - (1.0 - confidence) / count)
    return float(optimize.brentq(missing, single * 0.98, bonferroni * 1.02, xtol=1e-3))
