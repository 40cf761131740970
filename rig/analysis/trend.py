"""Setups that are levels of one number: degrees of advance, teeth, rpm per volt."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from rig.analysis.contrasts import critical

LEVELS_FROM = 3


@dataclass(frozen=True, slots=True)
class Trend:
    """The change of one quantity per unit of the level, in percent.

    `lack_of_fit_p` is the probability of means that lie so far off a straight line by chance;
    nan where no setup has two runs.
    """

    quantity: str
    per_unit_pct: float
    ci95_pct: tuple[float, float] | None
    lack_of_fit_p: float


def levels_of(setups: Sequence[str]) -> dict[str, float]:
    """The level that each name holds, such as `advance 15` or `pinion-12t`; may be empty.

    Empty unless every name holds one number, the names are alike but for it, and there are
    at least LEVELS_FROM of them.
    """
    names = list(dict.fromkeys(setups))
    parts = [re.split(r"(\d+(?:\.\d+)?)", name) for name in names]
    alike = {(part[0].strip("-_ "), part[-1]) for part in parts if len(part) == 3}
    if len(names) < LEVELS_FROM or len(alike) != 1 or any(len(part) != 3 for part in parts):
        return {}
    return {name: float(part[1]) for name, part in zip(names, parts, strict=True)}


def trend(quantity: str, levels: ArrayLike, values: ArrayLike) -> Trend:
    """A straight line through the logarithms of `values`, one per run, over `levels`.

    Ordinary least squares over the runs; both shape (runs,), values above 0.
    """
    x, y = np.asarray(levels, dtype=float), np.log(np.asarray(values, dtype=float))
    centred = x - x.mean()
    across = float(centred @ centred)
    slope = float(centred @ y) / across
    rest = y - y.mean() - slope * centred
    df = len(x) - 2
    interval = None
    if df > 0:
        reach = critical(df) * math.sqrt(float(rest @ rest) / df / across)
        interval = (100.0 * math.expm1(slope - reach), 100.0 * math.expm1(slope + reach))
    p = lack_of_fit(x, y, degree=1)[1]
    return Trend(quantity, 100.0 * math.expm1(slope), interval, p)


def lack_of_fit(levels: ArrayLike, values: ArrayLike, degree: int) -> tuple[float, float]:
    """F and its probability, for a polynomial against the means of the levels.

    Of degree 0 this is the one-way analysis of variance. nan where there is nothing to tell.
    N. R. Draper and H. Smith, Applied Regression Analysis, pure error and lack of fit (from
    memory).
    """
    x, y = np.asarray(levels, dtype=float), np.asarray(values, dtype=float)
    distinct, group = np.unique(x, return_inverse=True)
    counts = np.bincount(group)
    means = np.bincount(group, y) / counts
    pure = float(((y - means[group]) ** 2).sum())
    df_fit, df_pure = len(distinct) - degree - 1, len(y) - len(distinct)
    if df_fit < 1 or df_pure < 1 or pure <= 0.0:
        return math.nan, math.nan
    columns = np.vander(distinct - x.mean(), degree + 1) * np.sqrt(counts)[:, None]
    weighted = means * np.sqrt(counts)
    off = weighted - columns @ np.linalg.lstsq(columns, weighted, rcond=None)[0]
    f = float(off @ off) / df_fit / (pure / df_pure)
    return f, float(special.fdtrc(df_fit, df_pure, f))
