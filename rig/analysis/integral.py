"""A quantity integrated over the board's time, with gaps bridged."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

GAP = 1.5
"""Readings further apart than so many usual distances have a gap between them. Ours."""

_FEWEST_AROUND = 5


class Integral(NamedTuple):
    """`value` and its standard uncertainty `u` in the unit of the readings times seconds; `u`
    has no part of the stand. `bridged` is the share of the time that was bridged, 0 to 1.
    """

    value: float
    u: float
    bridged: float


def integral(time_s: ArrayLike, values: ArrayLike, valid: ArrayLike) -> Integral:
    """The integral of `values` over all of `time_s` (s), shapes (n,); `valid` is bool.

    By the trapezoidal rule over the readings that are valid and finite. Missing and invalid
    readings are bridged by the straight line between their neighbours, or by the nearest
    reading at the ends. A bridge is uncertain by its length times the standard deviation of
    the readings around it; the other readings by their change from one to the next. nan where
    fewer than two readings can be used.
    """
    time, readings = np.asarray(time_s, dtype=float), np.asarray(values, dtype=float)
    use = np.asarray(valid, dtype=bool) & np.isfinite(readings)
    if use.sum() < 2:
        return Integral(math.nan, math.nan, 1.0)
    usual_s = float(np.median(np.diff(time)))
    begin_s, end_s = float(time[0]), float(time[-1])
    time, readings = time[use], readings[use]
    steps_s = np.diff(time)
    gaps = np.flatnonzero(steps_s > GAP * usual_s)
    ends_s = time[0] - begin_s, end_s - time[-1]
    value = float(np.trapezoid(readings, time)) + ends_s[0] * readings[0] + ends_s[1] * readings[-1]
    bridges = [(float(time[gap]), float(time[gap + 1])) for gap in gaps]
    bridges += [(begin_s, float(time[0])), (float(time[-1]), end_s)]
    parts = [_uncertainty(time, readings, *bridge) for bridge in bridges if bridge[1] > bridge[0]]
    noise = _noise(readings) * usual_s * math.sqrt(len(readings))
    bridged_s = float(steps_s[gaps].sum()) + sum(ends_s)
    span_s = end_s - begin_s
    return Integral(value, math.hypot(noise, *parts), bridged_s / span_s if span_s else 0.0)


def _uncertainty(time: Floats, readings: Floats, start_s: float, end_s: float) -> float:
    """Of one bridge, from the readings within its own length on either side."""
    length = end_s - start_s
    first, last = np.searchsorted(time, [start_s - length, end_s + length])
    middle = int(np.searchsorted(time, 0.5 * (start_s + end_s)))
    first = max(min(int(first), middle - _FEWEST_AROUND), 0)
    last = max(int(last) + 1, middle + _FEWEST_AROUND)
    return length * float(np.std(readings[first:last]))


def _noise(readings: Floats) -> float:
    """The standard deviation of one reading, from the changes that are no steps of the drive."""
    changes = np.sort(np.abs(np.diff(readings)))[: max(int(0.98 * len(readings)), 1)]
    return math.sqrt(float(np.mean(changes**2)) / 2.0)
