"""One time constant fitted to a record, such as a temperature after a step of power.

The model is value(t) = settling - rise * exp(-t / tau), t counted from the first reading. At a
given tau it is linear, so only tau is searched (variable projection: G. H. Golub and
V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432), here by scans that narrow down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from rig.analysis.inference import autocorrelation_time

Floats = NDArray[np.float64]

SHORTEST_TAUS = 1.0
"""A record that covers fewer time constants is too short. Ours, no source."""

FEWEST_PER_TAU = 3.0
"""Readings, or blocks of them, in a time constant that can be fitted. Ours, no source."""

LEAST_RELATIVE_U = 0.2
"""A time constant whose relative standard uncertainty is larger is not given. Ours, no source."""

BEND_T = 4.0
"""The curve must explain more than a straight line does by so many standard errors. Ours."""

NORMAL_95 = 1.959964

_BLOCKS = 200
_FEWEST = 12
"""Readings, or blocks worth an independent one each, that a fit takes."""


class Estimate(NamedTuple):
    """A value and its standard uncertainty, in one unit."""

    value: float
    u: float


@dataclass(frozen=True, slots=True)
class FirstOrder:
    """A fitted curve. Values in the unit of the readings, `tau_s` in seconds."""

    settling: Estimate
    rise: Estimate
    """From the first reading to `settling`; negative where the value falls."""
    tau_s: Estimate
    to_come: Estimate
    """From the last reading to `settling`."""


@dataclass(frozen=True, slots=True)
class Fit:
    """`curve` is None where it is withheld, with the reason in `why`.

    `slope_per_s` is that of a straight line through the last third of the record.
    """

    curve: FirstOrder | None
    why: str
    slope_per_s: Estimate


def fit_first_order(time_s: ArrayLike, value: ArrayLike, noise: float = 0.0) -> Fit:
    """One time constant fitted to readings `value` at `time_s` (s), both of shape (n,).

    Readings that are not finite are left out. The scatter is taken from the residuals, with
    their autocorrelation; `noise` is the least standard deviation of one reading to assume.
    The converter's steps are allowed for where no noise averages them out. The uncertainties
    do not hold where the noise wanders over a tenth of the record or more.
    """
    time, values = (np.asarray(item, dtype=float) for item in (time_s, value))
    use = np.isfinite(time) & np.isfinite(values)
    time, values = time[use], values[use]
    nothing = Estimate(math.nan, math.nan)
    if len(time) < _FEWEST or not np.ptp(time) > 0.0:
        return Fit(None, "too few readings", nothing)
    step_u = step_uncertainty(values)
    span_s = float(time[-1] - time[0])
    time, values, per_block = _in_blocks(time - time[0], values)
    floor = noise / math.sqrt(per_block)
    last = time >= span_s * 2.0 / 3.0
    slope = _slope(time[last], values[last], floor, step_u)
    curve = _curve(time, values, span_s, floor, step_u)
    return Fit(curve, "", slope) if isinstance(curve, FirstOrder) else Fit(None, curve, slope)


def step_uncertainty(values: Floats) -> float:
    """What the converter's steps leave in a mean of `values`, as a standard uncertainty.

    A step q alone leaves q / sqrt(12) (JCGM 100:2008 F.2.2.1). Gaussian noise of standard
    deviation s averages it out by exp(-2 (pi s / q)^2) (B. Widrow and I. Kollar, Quantization
    Noise (2008): from memory).
    """
    levels = np.unique(values)
    if len(levels) < 2:
        return 0.0
    step = float(np.median(np.diff(levels)))
    scatter = float(np.mean(np.diff(values) ** 2)) / 2.0 / step**2
    without_steps = max(scatter - 1.0 / 12.0, 0.0)
    return step / math.sqrt(12.0) * math.exp(-2.0 * math.pi**2 * without_steps)


def _in_blocks(time: Floats, values: Floats) -> tuple[Floats, Floats, float]:
    """Means over equal counts of readings, and how many readings each has."""
    blocks = min(_BLOCKS, len(time))
    edges = np.linspace(0, len(time), blocks + 1).astype(int)
    counts = np.diff(edges)
    means = [np.add.reduceat(item, edges[:-1]) / counts for item in (time, values)]
    return means[0], means[1], len(time) / blocks


def _slope(time: Floats, values: Floats, floor: float, step_u: float) -> Estimate:
    if len(time) < 3:
        return Estimate(math.nan, math.nan)
    away = time - time.mean()
    across = float(away @ away)
    slope = float(away @ values) / across
    rest = values - values.mean() - slope * away
    variance, _ = _scatter(rest, 2, floor)
    u = math.sqrt(variance / across)
    return Estimate(slope, math.hypot(u, step_u * math.sqrt(2.0) / float(np.ptp(time))))


def _curve(
    time: Floats, values: Floats, span: float, floor: float, step_u: float
) -> FirstOrder | str:
    tau = _best_tau(time, values, span)
    if span < SHORTEST_TAUS * tau:
        return "the record is too short: it covers less than one time constant"
    if tau < FEWEST_PER_TAU * span / len(time):
        return "the change is over after a few readings"
    fall = np.exp(-time / tau)
    linear = np.stack([np.ones_like(time), fall], axis=1)
    (settling, height), *_ = np.linalg.lstsq(linear, values, rcond=None)
    rest = values - linear @ [settling, height]
    variance, independent = _scatter(rest, 3, floor)
    if independent < _FEWEST:
        return "the readings wander about the curve"
    straight = np.polyval(np.polyfit(time, values, 1), time)
    gain = float(((values - straight) ** 2).sum() - (rest**2).sum())
    if not gain > BEND_T**2 * variance:
        return "a straight line explains the record as well"
    jacobian = np.column_stack([linear, height * fall * time / tau**2])
    covariance = variance * np.linalg.inv(jacobian.T @ jacobian)
    left = math.exp(-span / tau)
    # What the steps add to a mean shifts the end against the beginning, and tau with it.
    shift = np.array([1.0, -1.0, tau / height]) * step_u
    gradients = {
        "settling": np.array([1.0, 0.0, 0.0]),
        "rise": np.array([0.0, -1.0, 0.0]),
        "tau": np.array([0.0, 0.0, 1.0]),
        "to_come": np.array([0.0, -left, -height * left * span / tau**2]),
    }
    u = {
        name: math.hypot(math.sqrt(gradient @ covariance @ gradient), abs(gradient) @ abs(shift))
        for name, gradient in gradients.items()
    }
    if not u["tau"] < LEAST_RELATIVE_U * tau:
        return "the time constant cannot be told well enough"
    return FirstOrder(
        Estimate(float(settling), u["settling"]),
        Estimate(float(-height), u["rise"]),
        Estimate(tau, u["tau"]),
        Estimate(float(-height * left), u["to_come"]),
    )


def _best_tau(time: Floats, values: Floats, span: float) -> float:
    low, high = math.log(span / 100.0), math.log(span * 10.0)
    for _ in range(4):
        taus = np.exp(np.linspace(low, high, 40))
        fall = np.exp(-time / taus[:, None])
        fall -= fall.mean(axis=1, keepdims=True)
        explained = (fall @ (values - values.mean())) ** 2 / (fall**2).sum(axis=1)
        best = int(explained.argmax())
        low, high = (math.log(taus[min(max(best + side, 0), 39)]) for side in (-1, 1))
    return float(taus[best])


def _scatter(rest: Floats, fitted: int, floor: float) -> tuple[float, float]:
    """The variance that the residuals of a fit stand for, and how many independent readings
    they are worth.

    Their autocorrelation is included, and Student's factor, so that twice the uncertainty holds
    the truth in 95 % of cases. A fit takes out some of the autocorrelation of its residuals:
    the first lag is corrected as for an AR(1) series (M. H. Quenouille, J. R. Statist. Soc. B
    11 (1949) 68-84, from memory; checked by simulation in the tests).
    """
    count, power = len(rest), float(rest @ rest)
    first = float(rest[1:] @ rest[:-1]) / power if power else 0.0
    if first > 2.0 / math.sqrt(count):
        first = min(first + (fitted + 3.0 * first) / count, 0.999)
    else:
        first = 0.0
    together = max(autocorrelation_time(rest), (1.0 + first) / (1.0 - first))
    independent = count / together
    if independent <= fitted + 1.0:
        return math.inf, independent
    free = independent - fitted
    student = float(special.stdtrit(free, 0.975)) / NORMAL_95
    return max(power / free * student**2, floor**2), independent
