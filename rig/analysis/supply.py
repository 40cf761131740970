"""The supply's resistance from the volts and amps of a run.

The model: volts = open-circuit volts(charge drawn) - r_1 i_1 - r_2 i_2 - R amps. The open-circuit
volts fall along a smooth curve as a pack empties. i_1 and i_2 are the amps after first-order lags
of `LAGS_S`: they stand for the slow processes of the cells, which R does not include. The model
is fitted to the changes over `OVER_S`, where R shows and errors of the slow terms matter little.
The slow terms are random with the sizes that they may well have (generalized least squares):
without that, four of them together can imitate one step of the current.

Noise in the amps pulls an ordinary slope towards zero (regression dilution). The instrument
here is the amps of the neighbouring blocks (W. A. Fuller, Measurement Error Models (1987),
section 1.4, from memory): they follow the same current and have noise of their own.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from rig.analysis.inference import autocorrelation_time

Floats = NDArray[np.float64]

LEAST_SPAN_A = 2.0
"""The resistance is given where the current moves by at least so much."""

LEAST_RESOLVED = 2.0
"""A resistance that is not larger than so many standard uncertainties is withheld."""

BLOCK_S = 0.1
"""Readings are averaged over so long, or not at all where they are rarer."""

OVER_S = 0.5
LAGS_S = (2.0, 10.0)

EMPTIES = 0.05
"""The share of the volts that a pack may well lose over a run. Ours, no source."""

CURVE_TERMS = 4
"""Legendre polynomials in the charge drawn; each may be a third as large as the one before."""

MODEL_U = 0.01
"""What the model itself may be wrong by, as a share of the resistance: its lags are not those
of the cell. Ours; found with lags of 1.5 to 12 s of 0.4 times the resistance."""

_OVER = round(OVER_S / BLOCK_S)
_FEWEST = 24


class _Blocks(NamedTuple):
    """One value per block; blocks without a reading are left out."""

    time_s: Floats
    current_a: Floats
    voltage_v: Floats


def supply_resistance_ohm(frame: pd.DataFrame) -> tuple[float, float] | None:
    """The supply's resistance in ohm and its standard uncertainty, from a whole run.

    `frame` has `time_s`, `current_a`, `voltage_v` and `valid`; the readings at rest before and
    after the drive are used too. None where the current moves by less than LEAST_SPAN_A, or
    where the resistance cannot be told from zero. What a cell does within 0.1 s counts to the
    resistance. The noise in the amps must not last longer than a block.
    """
    if not {"current_a", "voltage_v"} <= set(frame):
        return None
    blocks = _blocks(frame)
    if len(blocks.time_s) < _FEWEST:
        return None
    around_a = _neighbours(blocks.current_a)
    if np.ptp(around_a) < LEAST_SPAN_A:
        return None
    instrument, amps, volts = map(_changes, (around_a, blocks.current_a, blocks.voltage_v))
    if not float(_centred(instrument) @ _centred(amps)) > 0.0:
        return None
    ohm, scatter = _fitted(instrument, amps, volts, _slow(blocks, instrument, amps, volts))
    u = math.hypot(scatter, MODEL_U * ohm)
    return (ohm, u) if ohm > LEAST_RESOLVED * u else None


def _blocks(frame: pd.DataFrame) -> _Blocks:
    columns = np.stack([frame[name].to_numpy(dtype=float) for name in _Blocks._fields])
    columns = columns[:, frame["valid"].to_numpy(dtype=bool) & np.isfinite(columns).all(axis=0)]
    if not columns.shape[1]:
        return _Blocks(*columns)
    _, block = np.unique(np.floor((columns[0] - columns[0][0]) / BLOCK_S), return_inverse=True)
    counts = np.bincount(block)
    return _Blocks(*(np.bincount(block, column) / counts for column in columns))


def _slow(blocks: _Blocks, instrument: Floats, amps: Floats, volts: Floats) -> Floats:
    """The changes by the slow terms, each of the size that it may well have.

    For a lag that is all of the plain slope of volts over amps. The first term is a constant
    change. Shape (changes, 1 + terms).
    """
    plain_ohm = abs(float(_centred(instrument) @ volts) / float(_centred(instrument) @ amps))
    level_v = float(np.abs(blocks.voltage_v).max())
    curve_v = [EMPTIES * level_v / 3.0**term for term in range(CURVE_TERMS)]
    sizes = [*curve_v, *[plain_ohm] * len(LAGS_S)]
    terms = _changes(_others(blocks)) * sizes
    return np.column_stack([np.full(len(terms), EMPTIES * level_v), terms])


def _fitted(instrument: Floats, amps: Floats, volts: Floats, slow: Floats) -> tuple[float, float]:
    """The resistance and its standard uncertainty; `slow` as `_slow` gives it."""
    known = np.column_stack([amps, slow])
    rest = volts - known @ np.linalg.lstsq(known, volts, rcond=None)[0]
    variance = float(rest @ rest) / (len(rest) - known.shape[1])
    small = slow / math.sqrt(variance or 1e-12)
    inner = np.eye(slow.shape[1]) + small.T @ small

    def weighed(values: Floats) -> Floats:
        # By the inverse of the covariance of noise and slow terms (Woodbury's identity).
        result: Floats = values - small @ np.linalg.solve(inner, small.T @ values)
        return result

    weights = weighed(instrument)
    across = float(weights @ amps)
    if not across > 0.0:
        return math.nan, math.inf
    ohm = -float(weights @ volts) / across
    scatter = _uncertainty(weights, weighed(volts + ohm * amps), known.shape[1]) / across
    doubt = math.sqrt(variance * float(weights @ instrument)) / across
    return ohm, max(scatter, doubt)


def _centred(values: Floats) -> Floats:
    centred: Floats = values - values.mean()
    return centred


def _changes(values: Floats) -> Floats:
    """Over OVER_S, along the first axis."""
    return values[_OVER:] - values[:-_OVER]


def _neighbours(values: Floats) -> Floats:
    """The mean of the values before and after each; at the ends of the one there is."""
    before, after = np.roll(values, 1), np.roll(values, -1)
    before[0], after[-1] = after[0], before[-1]
    return 0.5 * (before + after)


def _others(blocks: _Blocks) -> Floats:
    """What moves the volts apart from the resistance: the curve and the lags, a column each."""
    time_s, current_a, _ = blocks
    steps_s = np.diff(time_s)
    drawn = np.concatenate([[0.0], np.cumsum(steps_s * 0.5 * (current_a[1:] + current_a[:-1]))])
    drawn = 2.0 * drawn / (abs(drawn).max() or 1.0) - 1.0
    lags = [_lagged(current_a, steps_s, lag_s) for lag_s in LAGS_S]
    curve = np.polynomial.legendre.legvander(drawn, CURVE_TERMS)[:, 1:]
    return np.column_stack([curve, *lags])


def _lagged(values: Floats, steps_s: Floats, lag_s: float) -> Floats:
    """`values` after a first-order lag, each taken as constant until the next."""
    keep = np.exp(-steps_s / lag_s)
    lagged = [float(values[0])]
    for value, kept in zip(values[:-1].tolist(), keep.tolist(), strict=True):
        lagged.append(value + (lagged[-1] - value) * kept)
    return np.array(lagged)


def _uncertainty(instrument: Floats, rest: Floats, fitted: int) -> float:
    """The standard uncertainty of the sum of instrument times volts.

    The larger of two estimates: for residuals that scatter everywhere alike, and for residuals
    that are larger where the current moves (W. K. Newey and K. D. West, Econometrica 55 (1987)
    703-708). Student's factor is included, so that twice the value is a 95 % interval.
    """
    count, last = len(rest), 2 * _OVER
    free = max(count / autocorrelation_time(rest) - fitted, 1.0)
    alike = math.sqrt(float(rest @ rest) / free) * float(np.linalg.norm(instrument))
    scores = instrument * rest
    pairs = [float(scores[lag:] @ scores[: count - lag]) for lag in range(last)]
    power = pairs[0] + sum(2.0 * (1.0 - lag / last) * pairs[lag] for lag in range(1, last))
    moving = math.sqrt(max(power, 0.0) * count / max(count - fitted, 1))
    worth = float((instrument**2).sum()) ** 2 / float((instrument**4).sum())
    return max(alike * _student(free), moving * _student(worth))


def _student(free: float) -> float:
    return float(special.stdtrit(free, 0.975) / special.ndtri(0.975))
