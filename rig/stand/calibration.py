"""From readings against a known standard, or points of a table, to a sensor's parameters."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from rig.stand.model import Line
from rig.stand.sensors import KELVIN


def fit_line(x: ArrayLike, y: ArrayLike) -> Line:
    """The least-squares line y = intercept + slope * x, with its covariance.

    `x` are mean counts per conversion and `y` the standard's values, both of one length n.
    The scatter is taken from the residuals with n - 2 degrees of freedom, as in JCGM 100:2008
    H.3. That is the covariance of the published formulas; with few points its scatter is itself
    hardly known, which `rig.stand.uncertainty` allows for by `fit_points`. Two points leave no
    degree of freedom, so nothing is known about their scatter. Raises ValueError for fewer than
    3 points, for values that are not finite, or when all x are equal.
    """
    at, value = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if at.ndim != 1 or at.shape != value.shape or len(at) < 3:
        raise ValueError("a line needs three or more pairs of x and y")
    if not np.isfinite(at).all() or not np.isfinite(value).all():
        raise ValueError("every x and y must be a finite number")
    # About the mean of x the two parameters are independent, which keeps every digit.
    middle = at.mean()
    spread = at - middle
    sxx = float(spread @ spread)
    if sxx == 0.0:
        raise ValueError("all x are equal")
    slope = float(spread @ value) / sxx
    height = float(value.mean())
    residuals = value - height - slope * spread
    variance = float(residuals @ residuals) / (len(at) - 2)
    var_slope = variance / sxx
    var_intercept = variance / len(at) + middle**2 * var_slope
    covariance = float(-middle * var_slope)
    return Line(
        intercept=float(height - slope * middle),
        slope=slope,
        covariance=((float(var_intercept), covariance), (covariance, var_slope)),
        fit_points=len(at),
    )


def steinhart_hart(points: Any) -> tuple[float, float, float] | None:
    """a, b, c of 1/T = a + b ln R + c (ln R)^3 through three points of [ohm, degC].

    None where the points do not determine them.
    """
    try:
        ohms, degc = np.array(points, dtype=float).reshape(3, 2).T
        if not ((ohms > 0).all() and (degc > -KELVIN).all() and np.isfinite(ohms + degc).all()):
            return None
        logs = np.log(ohms)
        rows = np.stack([np.ones(3), logs, logs**3], axis=1)
        a, b, c = np.linalg.solve(rows, 1.0 / (degc + KELVIN))
    except (ValueError, TypeError, OverflowError, np.linalg.LinAlgError):
        return None
    return float(a), float(b), float(c)
