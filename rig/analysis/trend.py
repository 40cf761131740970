"""Setups that are levels of one number: degrees of advance, teeth, rpm per volt."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from rig.analysis.answers import Trend
from rig.analysis.contrasts import Model, critical, percent
from rig.analysis.effects import Effects, RunTable, stand_parts
from rig.analysis.order import drift_choice, widened

LEVELS_FROM = 3


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


def slope_factors(levels: Mapping[str, float], setups: Sequence[str]) -> dict[str, float]:
    """What each setup's mean contributes to the slope of a straight line over the levels.

    Least squares over the runs, `setups` the setup of each: a setup counts as often as it was
    run.
    """
    x = np.array([levels[setup] for setup in setups])
    across = float(((x - x.mean()) ** 2).sum())
    return {
        name: setups.count(name) * (level - float(x.mean())) / across
        for name, level in levels.items()
    }


def trend(
    table: RunTable, levels: Mapping[str, float], quantity: str, *, log: Callable[[str], bool]
) -> Trend:
    """The change of `quantity` per unit, under the model of the changes.

    Each setup has its own scatter, a straight drift is taken out where that helps, and the
    stand's components count; `log` says which quantities are logarithms.
    """
    factors = slope_factors(levels, table.setups)
    lined, share = drift_choice(table.setups, table.time_s.tolist(), factors)
    model = Model(table.setups, table.values, table.time_s if lined else None)
    side = widened(model.combination(factors), share)
    parts = stand_parts(table, side.weights, log)
    found = Effects(table, lambda _: (side,), critical, parts).estimate(quantity)
    column = table.values[:, table.names.index(quantity)]
    return Trend(
        quantity,
        percent(found.value),
        found.interval and (percent(found.interval[0]), percent(found.interval[1])),
        lack_of_fit([levels[setup] for setup in table.setups], column, degree=1)[1],
    )


def lack_of_fit(levels: ArrayLike, values: ArrayLike, degree: int) -> tuple[float, float]:
    """F and its probability, for a polynomial against the means of the levels.

    `levels` and `values`, shape (runs,). Of degree 0 this is the one-way analysis of variance.
    nan where there is nothing to compare. N. R. Draper and H. Smith, Applied Regression
    Analysis, pure error and lack of fit (from memory).
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
