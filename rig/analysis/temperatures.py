"""What a temperature did in a run: start, end of the drive, peak, and whether it still rose."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rig.analysis.first_order import Estimate, Fit, fit_first_order, step_uncertainty
from rig.analysis.inference import standard_error

Floats = NDArray[np.float64]

SMOOTHED_S = 1.0
"""Readings are smoothed over so long, or over SMOOTHED_READINGS where that is longer."""

SMOOTHED_READINGS = 8

STILL_RISING_T = 3.0
"""A temperature still rises while its slope is so many standard uncertainties. Ours."""

STILL_TO_COME_K = 0.1
STILL_RISING_K_PER_S = 0.01
"""Less than this to come, or a slower rise where that is not known, is not called rising. Ours."""


@dataclass(frozen=True, slots=True)
class Warmed:
    """Temperatures of one sensor in degrees Celsius, with standard uncertainties of the
    readings' own scatter; the stand's part is not in them.
    """

    start: Estimate
    end: Estimate
    """At the end of the drive; nan where nothing was driven."""
    peak: Estimate
    still_rising: bool
    """When the recording ended."""
    expected_peak: Estimate | None
    """Where it still rose: what the curve of one time constant settles at, if it can be told."""

    @property
    def rise(self) -> Estimate:
        """From start to peak, in K."""
        return Estimate(self.peak.value - self.start.value, math.hypot(self.peak.u, self.start.u))


def warmed(frame: pd.DataFrame, column: str) -> Warmed | None:
    """The temperature `column` of one run; None where it has no valid reading.

    `frame` has `time_s`, `phase`, `valid` and, where it is known, `throttle_pct`. The start is
    the mean at rest before the drive; the peak is taken from readings smoothed by straight
    lines over SMOOTHED_S: where one half of the readings has its maximum the other half is
    read, so that noise does not raise it.
    """
    use = frame["valid"].to_numpy(dtype=bool) & frame[column].notna().to_numpy()
    if not use.any():
        return None
    time, degc = (frame.loc[use, name].to_numpy(dtype=float) for name in ("time_s", column))
    driven = (frame["phase"] == "running").to_numpy()
    rest = np.arange(len(frame))[use] < (driven.argmax() if driven.any() else 0)
    if rest.sum() >= SMOOTHED_READINGS:
        step_u = step_uncertainty(degc[rest])
        start = Estimate(float(degc[rest].mean()), math.hypot(standard_error(degc[rest]), step_u))
    else:
        start = _smoothed_at(time, degc, float(time[0]))
    end = Estimate(math.nan, math.nan)
    if driven[use].any():
        until = time <= time[driven[use]][-1]
        end = _smoothed_at(time[until], degc[until], float(time[until][-1]))
    fit = _last_part(frame, column, use)
    rising = _still_rises(fit)
    expected = fit.curve.settling if rising and fit.curve is not None else None
    return Warmed(start, end, _peak(time, degc), rising, expected)


def _peak(time: Floats, degc: Floats) -> Estimate:
    width_s = _width_s(time)
    if len(time) < 2 * SMOOTHED_READINGS:
        return _smoothed_at(time, degc, float(time[degc.argmax()]))
    span_s = float(time[-1] - time[0])
    at_s = np.linspace(time[0], time[-1], max(int(10.0 * span_s / width_s), 2))
    halves = [_smoothed(time[k::2], degc[k::2], at_s, width_s) for k in (0, 1)]
    found = [int(half.argmax()) for half in halves]
    value = 0.5 * float(halves[1][found[0]] + halves[0][found[1]])
    where_s = 0.5 * float(at_s[found[0]] + at_s[found[1]])
    return Estimate(value, _smoothed_at(time, degc, where_s).u)


def _width_s(time: Floats) -> float:
    usual_s = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    return max(SMOOTHED_S, SMOOTHED_READINGS * usual_s)


def _smoothed_at(time: Floats, degc: Floats, at_s: float) -> Estimate:
    """A straight line through the readings around `at_s`, and its value there."""
    first, last = _around(time, np.array([at_s]), _width_s(time))
    near, values = time[first[0] : last[0]] - at_s, degc[first[0] : last[0]]
    if len(near) < 3 or not np.ptp(near) > 0.0:
        return Estimate(float(values.mean()), step_uncertainty(values))
    away = near - near.mean()
    across = float(away @ away)
    slope = float(away @ values) / across
    rest = values - values.mean() - slope * away
    # A line's value at its end is known less well than its mean.
    longer = math.sqrt(1.0 + len(near) * float(near.mean()) ** 2 / across)
    u = standard_error(rest) * longer * math.sqrt(len(near) / (len(near) - 2.0))
    value = float(values.mean() - slope * near.mean())
    return Estimate(value, math.hypot(u, step_uncertainty(values)))


def _smoothed(time: Floats, degc: Floats, at_s: Floats, width_s: float) -> Floats:
    """`_smoothed_at` for many times, the value only, shape of `at_s`."""
    first, last = _around(time, at_s, width_s)
    count = np.maximum(last - first, 1)

    def mean(values: Floats) -> Floats:
        sums = np.concatenate([[0.0], np.cumsum(values)])
        result: Floats = (sums[last] - sums[first]) / count
        return result

    time0, degc0 = time - time.mean(), degc - degc.mean()
    when, what = mean(time0), mean(degc0)
    across = mean(time0 * time0) - when * when
    both = mean(time0 * degc0) - when * what
    slope = np.where(across > 1e-9, both / np.maximum(across, 1e-9), 0.0)
    smooth: Floats = what + slope * (at_s - time.mean() - when) + degc.mean()
    return smooth


def _around(
    time: Floats, at_s: Floats, width_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last index of `width_s` around each time, moved inward at the ends."""
    latest = max(float(time[-1]) - width_s, float(time[0]))
    from_s = np.clip(at_s - 0.5 * width_s, time[0], latest)
    first = np.searchsorted(time, from_s - 1e-9)
    last = np.searchsorted(time, from_s + width_s + 1e-9, side="right")
    return first, last


def _last_part(frame: pd.DataFrame, column: str, use: NDArray[np.bool_]) -> Fit:
    """The curve over what the recording ends with: the last throttle hold, or the rest."""
    driven = (frame["phase"] == "running").to_numpy()
    changed = np.flatnonzero(driven[1:] != driven[:-1]) + 1
    if driven[-1] and "throttle_pct" in frame:
        throttle = frame["throttle_pct"].ffill().to_numpy(dtype=float)
        steps = np.diff(throttle)
        changed = np.union1d(changed, np.flatnonzero(np.isfinite(steps) & (steps != 0.0)) + 1)
    part = np.arange(len(frame)) >= (changed[-1] if len(changed) else 0)
    rows = frame.loc[use & part, ["time_s", column]].to_numpy(dtype=float)
    return fit_first_order(rows[:, 0], rows[:, 1])


def _still_rises(fit: Fit) -> bool:
    if fit.curve is not None:
        to_come = fit.curve.to_come
        return to_come.value > max(STILL_RISING_T * to_come.u, STILL_TO_COME_K)
    slope = fit.slope_per_s
    return slope.value > max(STILL_RISING_T * slope.u, STILL_RISING_K_PER_S)
