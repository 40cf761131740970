"""Small pieces of inference, each with its source."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import special


def fieller(
    over: float, under: float, covariance: Sequence[Sequence[float]], t: float
) -> tuple[float, float] | None:
    """The interval of the ratio of two means; None where the lower may be zero.

    `covariance` is of (over, under), `t` the critical value. E. C. Fieller, J. R. Statist.
    Soc. B 16 (1954) 175-185.
    """
    (v_over, v_both), (_, v_under) = covariance
    a = under**2 - t**2 * v_under
    if not a > 0.0:
        return None
    b = over * under - t**2 * v_both
    c = over**2 - t**2 * v_over
    root = math.sqrt(max(b * b - a * c, 0.0))
    return (b - root) / a, (b + root) / a


def grubbs(values: ArrayLike, significance: float = 0.05) -> int | None:
    """The index of the one value that stands out, by Grubbs' two-sided test; None if none does.

    F. E. Grubbs, Technometrics 11 (1969) 1-21.
    """
    numbers = np.asarray(values, dtype=float)
    n, spread = len(numbers), float(numbers.std(ddof=1)) if len(numbers) > 2 else 0.0
    if spread <= 0.0:
        return None
    distance = np.abs(numbers - numbers.mean()) / spread
    worst = int(distance.argmax())
    return worst if distance[worst] > grubbs_limit(n, significance / 2.0) else None


def grubbs_limit(n: int, tail: float) -> float:
    """The largest distance from the mean, in standard deviations, that chance explains."""
    t2 = float(special.stdtrit(n - 2, 1.0 - tail / n)) ** 2
    return (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2))


def autocorrelation_time(values: ArrayLike) -> float:
    """How many consecutive samples are worth one independent one, at least 1.

    The integrated autocorrelation, summed over pairs until a pair is no longer positive
    (C. J. Geyer, Statist. Sci. 7 (1992) 473-483, initial positive sequence). For an AR(1)
    series this is (1 + r) / (1 - r).
    """
    numbers = np.asarray(values, dtype=float)
    n = len(numbers)
    centred = numbers - numbers.mean() if n else numbers
    if n < 4 or not centred.any():
        return 1.0
    length = _fast_length(2 * n)
    spectrum = np.fft.rfft(centred, length)
    correlation = np.fft.irfft(spectrum * spectrum.conj(), length)[:n]
    correlation /= correlation[0]
    pairs = correlation[: n - n % 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0.0)
    used = pairs[: ends[0]] if len(ends) else pairs
    return float(max(2.0 * used.sum() - 1.0, 1.0))


_ODD: list[int] = [3**b * 5**c for b in range(12) for c in range(8)]


def _fast_length(least: int) -> int:
    """The smallest number from `least` on without prime factors above 5: a transform of a length
    with a large one takes up to twenty times as long."""
    return min(odd << (-(-least // odd) - 1).bit_length() for odd in _ODD)


def standard_error(values: ArrayLike) -> float:
    """Of the mean of a series whose samples hang together; nan for fewer than two."""
    numbers = np.asarray(values, dtype=float)
    if len(numbers) < 2:
        return math.nan
    effective = max(len(numbers) / autocorrelation_time(numbers), 1.0)
    return float(numbers.std(ddof=1) / math.sqrt(effective))
