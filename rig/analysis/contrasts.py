"""One setup against another, from one number per run.

A linear model: a mean for every setup and, where the order of the runs allows, a straight
drift over the day. Each setup has a scatter of its own. Without drift this is Welch's test
(B. L. Welch, Biometrika 34 (1947) 28-35); with it, the same reasoning with Satterthwaite's
degrees of freedom for the quadratic form that estimates the variance
(F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

SHARED_AT_MOST = 1.0 / 3.0
"""Setup and drift can be told apart while time explains at most so much of what is which
setup (a variance inflation of 1.5). Ours, no source."""

DRIFT_FROM_RUNS = 3
"""Runs per setup from which on a drift is taken out."""

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Contrast:
    """Variant less baseline for each of q quantities.

    `estimates` and `df` have shape (q,), `covariance` (q, q). Where a setup has one run,
    its scatter is not known: `df` is 0 and `covariance` nan.
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
    """Shape (runs, q): what is modelled, often logarithms."""
    time_s: Floats | None = None
    """Shape (runs,): when each run began, where a drift is to be taken out."""

    def _columns(self) -> tuple[list[str], Floats]:
        names = list(dict.fromkeys(self.setups))
        columns = [[float(setup == name) for setup in self.setups] for name in names]
        if self.time_s is not None:
            span_s = float(np.ptp(self.time_s)) or 1.0
            columns.append(((self.time_s - self.time_s.mean()) / span_s).tolist())
        return names, np.array(columns).T

    def contrast(self, baseline: str, variant: str) -> Contrast:
        """`variant` less `baseline`."""
        names, _ = self._columns()
        wanted = np.zeros(len(names) + (self.time_s is not None))
        wanted[names.index(variant)] += 1.0
        wanted[names.index(baseline)] -= 1.0
        return self._estimate(wanted)

    def drift(self) -> Contrast:
        """The drift from the first run to the last. The model must have one."""
        names, _ = self._columns()
        wanted = np.zeros(len(names) + 1)
        wanted[-1] = 1.0
        return self._estimate(wanted)

    def residuals(self) -> Floats:
        """What the model leaves, shape (runs, q)."""
        _, columns = self._columns()
        rest: Floats = self.values - columns @ (np.linalg.pinv(columns) @ self.values)
        return rest

    def _estimate(self, wanted: Floats) -> Contrast:
        _, columns = self._columns()
        solve = np.linalg.pinv(columns)
        weights = wanted @ solve
        leave = np.eye(len(columns)) - columns @ solve
        rest = leave @ self.values
        quantities = self.values.shape[1]
        covariance = np.zeros((quantities, quantities))
        scatter = np.zeros((len(self.setups), quantities))
        share = np.zeros(len(self.setups))
        for name in dict.fromkeys(self.setups):
            mine = np.array([setup == name for setup in self.setups])
            free = float(np.diag(leave)[mine].sum())
            carried = float((weights[mine] ** 2).sum())
            if free < 0.5:
                # One run; a baseline or variant of which nothing else is known.
                if carried > 1e-12:
                    unknown = np.full((quantities, quantities), math.nan)
                    return Contrast(weights @ self.values, unknown, np.zeros(quantities), weights)
                continue
            spread = rest[mine].T @ rest[mine] / free
            covariance += carried * spread
            scatter[mine] = np.diag(spread)
            share[mine] = carried / free
        form = leave @ np.diag(share) @ leave
        df = np.array([_satterthwaite(form, scatter[:, q], leave) for q in range(quantities)])
        return Contrast(weights @ self.values, covariance, df, weights)


def _satterthwaite(form: Floats, variances: Floats, leave: Floats) -> float:
    if not variances.any():
        return float(np.trace(leave))
    product = form * variances
    return float(np.trace(product) ** 2 / np.trace(product @ product))


def can_take_out_drift(setups: Sequence[str], time_s: Floats, baseline: str, variant: str) -> bool:
    """Whether the order of the runs lets setup and drift be told apart."""
    marks = np.array([{baseline: 0.0, variant: 1.0}.get(setup, math.nan) for setup in setups])
    use = np.isfinite(marks) & np.isfinite(time_s)
    counts = [int((marks[use] == side).sum()) for side in (0.0, 1.0)]
    if min(counts) < DRIFT_FROM_RUNS or not np.ptp(time_s[use]) > 0.0:
        return False
    return bool(np.corrcoef(marks[use], time_s[use])[0, 1] ** 2 <= SHARED_AT_MOST)


def critical(df: float, confidence: float = CONFIDENCE) -> float:
    """Student's two-sided critical value."""
    return float(special.stdtrit(df, 0.5 + confidence / 2.0))


def family_critical(correlation: Floats, df: int, confidence: float = CONFIDENCE) -> float:
    """The two-sided critical value that holds for all of several contrasts at once.

    For contrasts with one baseline this is Dunnett's (C. W. Dunnett, J. Am. Stat. Assoc. 50
    (1955) 1096-1121): the largest of correlated Student variates, `correlation` shape (k, k).
    """
    count = len(correlation)
    if count == 1:
        return critical(df, confidence)
    # Only here, since it takes a second to load.
    from scipy import optimize, stats

    shape = stats.multivariate_t(shape=correlation, df=df, seed=1, allow_singular=True)

    def missing(limit: float) -> float:
        edge = np.full(count, limit)
        inside = shape.cdf(edge, lower_limit=-edge, random_state=np.random.default_rng(1))
        return float(inside) - confidence

    single = critical(df, confidence)
    bonferroni = critical(df, 1.0 - (1.0 - confidence) / count)
    return float(optimize.brentq(missing, single * 0.98, bonferroni * 1.02, xtol=1e-3))
