"""The critical value of a band that holds at all points of a curve at once.

Estimates at many points of one curve hang together: a quadratic through 41 points has three degrees
of freedom, not 41. So the value comes from draws of the largest of the correlated Student
variates, for any rank of their correlation (T. Hothorn, F. Bretz, P. Westfall, Biometrical J. 50
(2008) 346-363). Where the scatter differs between setups, the smallest degrees of freedom of all
points are used (M. Hasler, L. A. Hothorn, Biometrical J. 50 (2008) 793-800).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from rig.analysis.contrasts import CONFIDENCE, Floats, critical

DRAWS = 200_000
"""The value is then known to about 0.3 % (1 % below 3 degrees of freedom)."""

_CHUNK = 2_000
"""Draws at a time: what fits a processor's cache."""

_SEED = 1
_NOTHING = 1e-4
"""Directions in which the points move by less than this share of the largest are left out."""

_AS_GOOD_AS_KNOWN = 1e6
"""From these degrees of freedom on, the scatter counts as known."""


def simultaneous_critical(
    covariance: ArrayLike, df: float, confidence: float = CONFIDENCE, draws: int = DRAWS
) -> float:
    """c, so that estimate +- c * standard error holds the truth at all points with `confidence`.

    `covariance` of the estimates, shape (points, points), of any rank; only its correlation
    counts, and points without scatter are left out. `df` are the degrees of freedom of the scatter,
    above 0. One point, or points that move as one, give Student's value. The draws have a fixed
    seed, so the same curve always has the same band.
    """
    factor = _factor(np.asarray(covariance, dtype=float))
    rank = factor.shape[1]
    if rank <= 1:
        return critical(df, confidence)
    normals = _normals(rank, draws)
    # Not by matrix product: its threads wait for each other where the machine is busy.
    largest = np.concatenate([
        np.abs(np.einsum("pr,rd->pd", factor, normals[:, start : start + _CHUNK])).max(axis=0)
        for start in range(0, draws, _CHUNK)
    ])  # fmt: skip
    if df < _AS_GOOD_AS_KNOWN:
        chi2 = np.random.default_rng(_SEED).chisquare(df, draws)
        largest /= np.sqrt(np.maximum(chi2, np.finfo(float).tiny) / df)
    return float(np.quantile(largest, confidence))


def _factor(covariance: Floats) -> Floats:
    """F with F F' the correlation, shape (points, rank)."""
    spread = np.sqrt(np.diag(covariance))
    moves = spread > 0.0
    if not moves.any():
        return np.empty((0, 0))
    shape = covariance[np.ix_(moves, moves)] / np.outer(spread[moves], spread[moves])
    sizes, vectors = np.linalg.eigh(shape)
    kept = sizes > _NOTHING * sizes[-1]
    factor: Floats = vectors[:, kept] * np.sqrt(sizes[kept])
    factor /= np.linalg.norm(factor, axis=1)[:, None]
    return factor


@lru_cache(maxsize=4)
def _normals(rank: int, draws: int) -> Floats:
    return np.random.default_rng(_SEED + 1).normal(size=(rank, draws))
