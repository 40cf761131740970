"""The part of a run in which nothing changes but what cannot be helped.

A run's figures come from here: the last throttle hold, once speed and current have settled.

1. Does it become quiet at all? The R-statistic (S. Cao and R. R. Rhinehart, J. Process Control
   5 (1995) 363-374): the variance about a filtered mean over the variance from sample to
   sample, 1 for noise about a constant and more while there is a trend. It is taken backwards
   from the end of the hold: forwards its filters remember a spin-up for seconds. The quiet part
   that it finds may begin 2 or 3 % below the settled value.
2. From when on does the spin-up no longer matter? At the end it is far smaller than the noise
   of a reading, so a rule that looks for it in the readings cannot find its end (a rule of this
   kind is MSER: K. P. White, Simulation 69 (1997) 323-334). But it is large at its begin and
   ends as an exponential, so it can be extrapolated. From time t on, a spin-up of size A and
   time constant tau moves the mean up to the end T by A tau exp(-t / tau) / (T - t). The window
   begins where this is below LEFT_OVER. Tau is fitted to the last tenth of the spin-up,
   for speed and current together, since both follow the same rotor: of a grid it is the one of
   greatest likelihood, where level, drift and size are linear (variable projection: G. H. Golub
   and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432).
3. Does anything contradict the fit? A spin-up with overshoot is no exponential, but its envelope
   is. So the times at which readings were last far from the level, and last less far, are
   extrapolated as well, and the later start counts.

At the end of six time constants a spin-up is still 0.25 % low, and no window makes the mean of
such a hold true to 0.02 %. Where less than SHORTEST_S is left, the window is the end of the hold
and has `settling_s`: there the mean is the level of a least-squares fit of level and exponential
(`mean_over`), a weighted mean that such an exponential does not move.

`python -m tests.truth spinups` prints how well this works.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from rig.analysis.inference import standard_error

Floats = NDArray[np.float64]

FILTERS = (0.2, 0.1, 0.1)
"""The usual weights for mean and both variances."""

CRITICAL = 1.44
"""Above it 5 % of all samples of white noise lie with these weights (Monte Carlo, 400,000
series; the published table was not seen)."""

BLOCK_S = 0.05
"""Lines are averaged over so long first, so that neighbours no longer hang together."""

UNSTEADY_SHARE = 0.25
"""What is left of the hold has settled when no more than this share of it is above CRITICAL."""

NO_MATTER = 0.02
"""A wander of this fraction of the reading does not count: white noise of this size is added
to both variances. A current may well wander by half a percent for as long as it is watched,
and a speed measured without noise would never be called steady. Ours, no source."""

SHORTEST_S = 1.0

TAIL = 0.1
"""The fit begins when a quantity has come so near to its level, as a fraction of it."""

FEWEST = 6
"""Blocks that a fit of level, drift, size and time constant needs at least."""

SHORTEST_TAU_S = 0.02

LEFT_OVER = 5e-5
"""A spin-up may move a mean by this fraction, a quarter of what is promised (0.02 %)..."""

LEFT_OVER_ERRORS = 0.1
"""... or by this part of the mean's standard error, where that is more."""

TAIL_TAUS = 4.7
"""A hold that ends fewer time constants after TAIL was reached has no steady part. With the 2.3
that a spin-up from standstill needs to come so near, that is a hold of 7."""

WINDOW_TAUS = 3.0
"""The length of a window with `settling_s`."""

SEEN, SEEN_BEFORE = 0.01, 0.1
"""Deviations between which the envelope's time constant is measured."""

ENVELOPE_TAUS = 1.5
"""Where the envelope's time constant is so many times the fitted one, it is no exponential."""

WATCHED = ("speed_rpm", "current_a")


@dataclass(frozen=True, slots=True)
class Window:
    """From `start_s` to `end_s`, on the capture's time scale, as is `hold_from_s`.

    `hold_from_s` is where its throttle hold begins. `settling_s` is the time constant of a
    spin-up that is still seen in the window, if any is.
    """

    start_s: float
    end_s: float
    hold_from_s: float = 0.0
    settling_s: float | None = None


def steady_window(frame: pd.DataFrame) -> Window | None:
    """The steady part of a run's last throttle hold, or None where there is none.

    `frame` has `time_s` (s), `phase` and, where they are measured, `throttle_pct`,
    `speed_rpm` and `current_a`. It lasts at least SHORTEST_S.
    """
    windows = [window for _, window in steady_windows(frame)]
    return windows[-1] if windows else None


def steady_windows(frame: pd.DataFrame) -> list[tuple[float, Window | None]]:
    """The steady part of each throttle hold of a run, in order, with its throttle in %.

    nan where no throttle is known: the whole drive is one hold then.
    """
    return [(throttle, _settled(hold)) for throttle, hold in _holds(frame)]


def mean_over(window: Window, time_s: ArrayLike, values: ArrayLike) -> tuple[float, float]:
    """The mean of readings in `window`, and its standard error, autocorrelation allowed for.

    `values` at `time_s`, shape (rows,) each; nan is left out, and so is what the window still
    has of a spin-up.
    """
    times_s, readings = np.asarray(time_s, dtype=float), np.asarray(values, dtype=float)
    known = np.isfinite(readings)
    times_s, readings = times_s[known], readings[known]
    if not len(readings):
        return float("nan"), float("nan")
    if window.settling_s is None or len(readings) < FEWEST:
        return float(readings.mean()), standard_error(readings)
    shape = np.exp((window.start_s - times_s) / window.settling_s)
    off = shape - shape.mean()
    across = float(off @ off)
    levels = readings - float(off @ readings) / across * shape
    # The error is larger than that of a mean, since the size of the exponential is fitted too.
    wider = float(np.sqrt(1.0 + len(levels) * shape.mean() ** 2 / across))
    return float(levels.mean()), standard_error(levels) * wider


def r_statistic(values: Floats, no_matter: float = 0.0) -> Floats:
    """The R-statistic of each sample from the second on, shape (samples - 1,).

    Both variances begin at 0 and the filtered mean at the first sample. `no_matter` is the
    standard deviation of white noise that is added to both, in the unit of `values`.
    """
    mean_weight, about_weight, step_weight = FILTERS
    smooth = _filtered(values[1:], mean_weight, values[0])
    before = np.concatenate([values[:1], smooth[:-1]])
    about = _filtered((values[1:] - before) ** 2, about_weight, 0.0)
    step = _filtered(np.diff(values) ** 2, step_weight, 0.0)
    added = 2.0 * no_matter**2
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio: Floats = ((2.0 - mean_weight) * about + added) / (step + added)
    return ratio


def _filtered(values: Floats, weight: float, start: float) -> Floats:
    """Exponential smoothing. A loop: scipy.signal takes a second to load."""
    result = []
    smooth = float(start)
    for value in values.tolist():
        smooth += weight * (value - smooth)
        result.append(smooth)
    return np.array(result, dtype=float)


def last_hold_from_s(frame: pd.DataFrame) -> float | None:
    """Where a run's last throttle hold begins, on the capture's time scale; None without one."""
    *_, (_, hold) = _holds(frame)
    return float(hold["time_s"].iloc[0]) if len(hold) else None


def window_at(frame: pd.DataFrame, from_s: float, to_s: float) -> Window | str:
    """The window that was asked for, counted from the start of the last throttle hold.

    A sentence that says why not, where it is not inside that hold.
    """
    *_, (_, hold) = _holds(frame)
    if len(hold) < 2:
        return "it has no throttle hold"
    begin_s, end_s = (float(hold["time_s"].iloc[row]) for row in (0, -1))
    # The last line stands for the time up to the next.
    spare_s = max(BLOCK_S, (end_s - begin_s) / (len(hold) - 1))
    if begin_s + to_s > end_s + spare_s:
        return f"its last hold lasts {end_s - begin_s:.1f} s, the window ends at {to_s:g} s"
    return Window(begin_s + from_s, begin_s + to_s, begin_s)


def _holds(frame: pd.DataFrame) -> Iterator[tuple[float, pd.DataFrame]]:
    driven = frame[(frame["phase"] == "running").to_numpy()]
    if "throttle_pct" not in driven or not len(driven):
        yield float("nan"), driven
        return
    throttle = driven["throttle_pct"].astype(float).ffill().bfill().to_numpy()
    changed = np.flatnonzero(np.diff(throttle)) + 1
    if np.isnan(throttle).all():
        changed = changed[:0]
    for rows in np.split(np.arange(len(driven)), changed):
        yield float(throttle[rows[0]]), driven.iloc[rows]


@dataclass(frozen=True, slots=True)
class _Course:
    """One watched quantity of a hold, a row per block that has a valid reading.

    `time_s` counts from the start of the hold; `parts` are in parts of the median of the
    second half, of which `level` is the value (1 or -1) and `noise` the scatter about it.
    """

    time_s: Floats
    parts: Floats
    level: float
    noise: float

    def last_beyond_s(self, away: float) -> float:
        """When it was last further than `away` from its level; 0 where it never was."""
        beyond = np.flatnonzero(np.abs(self.parts - self.level) > away)
        return float(self.time_s[beyond[-1]]) if len(beyond) else 0.0


def _settled(hold: pd.DataFrame) -> Window | None:
    if len(hold) < 2:
        return None
    time_s = hold["time_s"].to_numpy(dtype=float)
    zero_s, length_s = float(time_s[0]), float(time_s[-1] - time_s[0])
    courses = []
    for column in WATCHED:
        if column not in hold:
            continue
        values = hold[column].to_numpy(dtype=float)
        use = hold["valid"].to_numpy(dtype=bool) & np.isfinite(values)
        course = _course(time_s[use] - zero_s, values[use])
        if course is not None:
            courses.append(course)
        elif column == "speed_rpm" and use.any():
            return None  # It stands still.
    start_s, settling_s = _start(courses, length_s) if courses else (length_s / 3.0, None)
    if length_s - start_s < SHORTEST_S:
        return None
    return Window(zero_s + start_s, float(time_s[-1]), zero_s, settling_s)


def _start(courses: list[_Course], length_s: float) -> tuple[float, float | None]:
    """From where on a hold is steady, and the time constant of what is still seen there."""
    quiet_s = max(map(_quiet_from_s, courses))
    tau_s, gone_s, tail_s = _fitted(courses, length_s)
    envelopes = [_envelope(course, length_s) for course in courses]
    start_s = max(quiet_s, gone_s, *(gone_s for _, gone_s in envelopes))
    if length_s - start_s >= SHORTEST_S:
        return start_s, None
    exponential = all(seen_s < ENVELOPE_TAUS * tau_s for seen_s, _ in envelopes)
    if length_s - tail_s < TAIL_TAUS * tau_s or not exponential:
        return length_s, None
    return max(quiet_s, length_s - max(SHORTEST_S, WINDOW_TAUS * tau_s)), tau_s


def _course(time_s: Floats, values: Floats) -> _Course | None:
    """None without readings, and where they are nothing but 0."""
    if not len(values):
        return None
    block = np.floor(time_s / BLOCK_S).astype(int)
    # The last one may have a single line, with much more noise than a block.
    block = np.minimum(block, max(block[-1] - 1, 0))
    counts = np.bincount(block)
    known = counts > 0
    means = np.bincount(block, values)[known] / counts[known]
    times_s = np.bincount(block, time_s)[known] / counts[known]
    later = means[len(means) // 2 :]
    level = float(np.median(later))
    if level == 0.0:
        return None
    size = abs(level)
    # 1.4826 makes the median deviation of normal noise its standard deviation; the rest allows
    # for what a few blocks may miss.
    noise = 1.4826 * float(np.median(np.abs(later - level))) * (1.0 + 4.0 / len(later))
    return _Course(times_s, means / size, level / size, noise / size)


def _quiet_from_s(course: _Course) -> float:
    """From where on few blocks are unsteady, beginning with one that is steady itself."""
    if len(course.parts) < 2:
        return 0.0
    unsteady = np.append(r_statistic(course.parts[::-1], NO_MATTER)[::-1] > CRITICAL, False)
    left = np.cumsum(unsteady[::-1])[::-1]
    share = left / np.arange(len(unsteady), 0, -1)
    begins = np.flatnonzero((share <= UNSTEADY_SHARE) & ~unsteady)
    return float(course.time_s[begins[0]])


def _fitted(courses: list[_Course], length_s: float) -> tuple[float, float, float]:
    """Of the spin-up's tail: time constant, from when on it does not matter, and begin, in s."""
    tails = [_tail(course) for course in courses]
    taus = np.geomspace(SHORTEST_TAU_S, max(length_s / 5.0, 2.0 * SHORTEST_TAU_S), 30)
    for _ in range(2):  # A coarse grid, then a fine one about its best.
        fits = [_fit(time_s - time_s[0], parts, taus) for time_s, parts in tails]
        best = int(np.argmin(np.sum([misfit for _, misfit in fits], axis=0)))
        tau_s, sizes = float(taus[best]), [float(abs(size[best])) for size, _ in fits]
        taus = np.geomspace(taus[max(best - 1, 0)], taus[min(best + 1, len(taus) - 1)], 21)
    begins_s = [float(time_s[0]) for time_s, _ in tails]
    gone_s = max(
        _gone_s(course, begin_s, size, tau_s, length_s)
        for course, begin_s, size in zip(courses, begins_s, sizes, strict=True)
    )
    return tau_s, gone_s, min(begins_s)


def _tail(course: _Course) -> tuple[Floats, Floats]:
    """Times and values from where it is near its level, not much longer than it took so far.

    So a drift over minutes does not disturb the fit.
    """
    begin_s = course.last_beyond_s(max(TAIL, 5.0 * course.noise))
    later = course.time_s > begin_s if begin_s else course.time_s >= 0.0
    near = later & (course.time_s <= begin_s + max(4.0 * begin_s, 2.0))
    near = near if near.sum() >= FEWEST else later
    if near.sum() < FEWEST:
        near[-FEWEST:] = True
    return course.time_s[near], course.parts[near]


def _fit(time_s: Floats, parts: Floats, taus: Floats) -> tuple[Floats, Floats]:
    """Size at time 0 and misfit (-2 log likelihood) for each time constant, shape (taus,)."""
    straight, _ = np.linalg.qr(np.column_stack([np.ones(len(time_s)), time_s]))
    shapes = np.exp(-time_s[:, None] / taus)
    shapes -= straight @ (straight.T @ shapes)
    rest = parts - straight @ (straight.T @ parts)
    along = shapes.T @ rest
    size = along / np.maximum((shapes**2).sum(axis=0), 1e-12)
    square = np.maximum(rest @ rest - along * size, 0.0) / len(parts)
    # Added: 3e-5 of the reading, below which no residual of a true motor is noise.
    return size, len(parts) * np.log(square + 1e-9)


def _envelope(course: _Course, length_s: float) -> tuple[float, float]:
    """The time constant of the largest deviations, and from when on they do not matter, in s."""
    seen = max(SEEN, 6.0 * course.noise)
    before = min(SEEN_BEFORE / SEEN * seen, abs(float(course.parts[0]) - course.level))
    seen_s = course.last_beyond_s(seen)
    took_s = seen_s - course.last_beyond_s(0.999 * before)
    if before < 2.0 * seen or took_s <= 0.0:
        return 0.0, seen_s
    tau_s = took_s / float(np.log(before / seen))
    return tau_s, _gone_s(course, seen_s, seen, tau_s, length_s)


def _gone_s(course: _Course, at_s: float, size: float, tau_s: float, length_s: float) -> float:
    """From when on an exponential of `size` at `at_s` moves the mean by too little to matter."""
    times_s = np.arange(at_s, length_s, 0.01)
    moved = size * tau_s * np.exp((at_s - times_s) / tau_s) / (length_s - times_s)
    error = course.noise / np.sqrt(len(course.parts))
    small = np.flatnonzero(moved < max(LEFT_OVER, LEFT_OVER_ERRORS * error))
    return float(times_s[small[0]]) if len(small) else length_s
