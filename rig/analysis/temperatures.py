"""What a temperature did in a run: start, end of the drive, peak, and whether it still rose."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rig.analysis.first_order import Estimate, Fit, fit_first_order, step_uncertainty
from rig.analysis.inference import autocorrelation_time, standard_error
from rig.vocabulary import State

Floats = NDArray[np.float64]

SMOOTHED_S = 1.0
"""Readings are smoothed over so long, or over SMOOTHED_READINGS where that is longer."""

SMOOTHED_READINGS = 8

PLACES = 10
"""Where the peak is looked for: so many times in each SMOOTHED_S."""

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
    peak: Estimate | None
    """None for a step before the last, after which the run goes on."""
    still_rising: bool
    """When the recording ended."""
    expected_peak: Estimate | None
    """Where it still rose: what the curve of one time constant settles at, if it can be told."""
    trace: _Trace = field(repr=False)
    """All valid readings."""

    @property
    def rise(self) -> Estimate:
        """From start to peak in K, or to the end where there is no peak."""
        top = self.end if self.peak is None else self.peak
        return Estimate(top.value - self.start.value, math.hypot(top.u, self.start.u))

    def until(self, at_s: float) -> Warmed:
        """The same at the end of a step, at `at_s`: no later reading is used."""
        end = self.trace.last(at_s)
        return replace(self, end=end, peak=None, still_rising=False, expected_peak=None)


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
    trace = _Trace(time, degc)
    driven = (frame["phase"] == State.RUNNING).to_numpy()
    rest = np.arange(len(frame))[use] < (driven.argmax() if driven.any() else 0)
    if rest.sum() >= SMOOTHED_READINGS:
        start_u = math.hypot(standard_error(degc[rest]), trace.step_u)
        start = Estimate(float(degc[rest].mean()), start_u)
    else:
        start = trace.at(float(time[0]))
    end = Estimate(math.nan, math.nan)
    if driven[use].any():
        until = time <= time[driven[use]][-1]
        end = _Trace(time[until], degc[until]).at(float(time[until][-1]))
    fit = _last_part(frame, column, use)
    rising = _still_rises(fit)
    expected = fit.curve.settling if rising and fit.curve is not None else None
    return Warmed(start, end, trace.peak(), rising, expected, trace)


class _Trace:
    """The readings of one sensor, smoothed by straight lines, with what is known of their noise."""

    def __init__(self, time: Floats, degc: Floats) -> None:
        self.time, self.degc = time, degc
        usual_s = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
        self.width_s = max(SMOOTHED_S, SMOOTHED_READINGS * usual_s)
        self.step_u = step_uncertainty(degc)
        rest = degc - self.smoothed(time)
        per_line = max(self.width_s / usual_s, 3.0) if usual_s else 3.0
        # A straight line through n readings takes 2 of n parts of the scatter away.
        taken = per_line / (per_line - 2.0)
        self.noise = float(rest.std()) * math.sqrt(taken * autocorrelation_time(rest))

    def smoothed(self, at_s: Floats, half: slice = slice(None)) -> Floats:
        """The trace at `at_s`, from all readings or from one half of them."""
        return _smoothed(self.time[half], self.degc[half], at_s, self.width_s)

    def at(self, at_s: float) -> Estimate:
        """The trace at one time. A line is known less well at its end than in the middle."""
        return self._at(at_s, self.time, self.degc)

    def last(self, until_s: float) -> Estimate:
        """The trace at its last reading until then, without the later ones; nan without any."""
        count = int(np.searchsorted(self.time, until_s, side="right"))
        if not count:
            return Estimate(math.nan, math.nan)
        at_s = float(self.time[count - 1])
        near = slice(int(np.searchsorted(self.time, at_s - 2.0 * self.width_s)), count)
        return self._at(at_s, self.time[near], self.degc[near])

    def _at(self, at_s: float, time: Floats, degc: Floats) -> Estimate:
        first, last = _around(time, np.array([at_s]), self.width_s)
        near = time[first[0] : last[0]]
        across = float(near.var())
        further = (near.mean() - at_s) ** 2 / across if across else 0.0
        u = self.noise * math.sqrt((1.0 + further) / max(len(near), 1))
        value = float(_smoothed(time, degc, np.array([at_s]), self.width_s)[0])
        return Estimate(value, math.hypot(u, self.step_u))

    def peak(self) -> Estimate:
        """Where one half of the readings has its maximum the other half is read, and the other
        way round: that is a little too low, as the maximum of all is too high.
        """
        if len(self.time) < 2 * SMOOTHED_READINGS:
            return self.at(float(self.time[self.degc.argmax()]))
        span_s = float(self.time[-1] - self.time[0])
        count = max(int(PLACES * span_s / self.width_s), 2)
        at_s = np.linspace(self.time[0], self.time[-1], count)
        even, odd = (self.smoothed(at_s, slice(k, None, 2)) for k in (0, 1))
        value = 0.5 * float(odd[even.argmax()] + even[odd.argmax()])
        whole = self.smoothed(at_s)
        highest = int(whole.argmax())
        spread = 0.5 * (float(whole[highest]) - value)
        return Estimate(value, math.hypot(self.at(float(at_s[highest])).u, spread))


def _smoothed(time: Floats, degc: Floats, at_s: Floats, width_s: float) -> Floats:
    """Straight lines through the readings `width_s` around each time, and their values there."""
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
    driven = (frame["phase"] == State.RUNNING).to_numpy()
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
