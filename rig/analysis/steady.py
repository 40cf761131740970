"""The part of a run in which nothing changes but what cannot be helped.

A run's figures come from here: the last throttle hold, once speed and current have settled.

Whether they settle at all is judged by the R-statistic (S. Cao and R. R. Rhinehart, J. Process
Control 5 (1995) 363-374): the variance about a filtered mean over the variance from sample to
sample, 1 for noise about a constant and more while there is a trend. It is taken backwards from
the end of the hold: forwards its filters remember a spin-up for seconds. The quiet part that it
finds may begin 2 or 3 % below the settled value; `rig.analysis.spin_up` finds how much later the
spin-up no longer matters to a mean.

Where less than SHORTEST_S is left then, the window is the end of the hold and has `settling_s`:
the mean over it is the level of a least-squares fit of level and exponential (`mean_over`), a
weighted mean that such an exponential does not move.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from rig.analysis.inference import standard_error
from rig.analysis.spin_up import BLOCK_S, Course, course_of, spin_up
from rig.vocabulary import State

Floats = NDArray[np.float64]

FILTERS = (0.2, 0.1, 0.1)
"""The usual weights for mean and both variances."""

CRITICAL = 1.44
"""Above it 5 % of all samples of white noise lie with these weights (Monte Carlo, 400,000
series; the published table was not seen)."""

UNSTEADY_SHARE = 0.25
"""What is left of the hold has settled when no more than this share of it is above CRITICAL."""

NO_MATTER = 0.02
"""A wander of this fraction of the reading does not count: white noise of this size is added
to both variances. A current may well wander by half a percent for as long as it is watched,
and a speed measured without noise would never be called steady. Ours, no source."""

SHORTEST_S = 1.0

FEWEST = 6
"""Readings that a fit of level and exponential needs at least."""

WINDOW_TAUS = 3.0
"""The length of a window with `settling_s`, in time constants."""

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


@dataclass(frozen=True, slots=True)
class Hold:
    """One throttle hold: `lines` are the rows of the frame at `throttle_pct`.

    nan where no throttle is known: the whole drive is one hold then. `from_s` and `to_s` are the
    times of its first and last line on the capture's time scale, nan without lines.
    """

    throttle_pct: float
    lines: pd.DataFrame
    from_s: float = float("nan")
    to_s: float = float("nan")


def steady_window(frame: pd.DataFrame) -> Window | None:
    """The steady part of a run's last throttle hold, or None where there is none.

    `frame` has `time_s` (s), `phase` and, where they are measured, `throttle_pct`,
    `speed_rpm` and `current_a`. It lasts at least SHORTEST_S.
    """
    return _window_or_none(_last_hold(frame))


def steady_windows(frame: pd.DataFrame) -> list[tuple[float, Window | None]]:
    """The steady part of each throttle hold of a run, in order, with its throttle in %."""
    return [(hold.throttle_pct, _window_or_none(hold)) for hold in _holds(frame)]


def steps_of(frame: pd.DataFrame) -> list[Hold]:
    """The steps of a run in order: its throttle holds of at least SHORTEST_S, and the last one.

    A shorter one is a passage, of a knob that was turned or of a ramp.
    """
    *others, last = _holds(frame)
    return [*(hold for hold in others if hold.to_s - hold.from_s >= SHORTEST_S), last]


def _window_or_none(hold: Hold) -> Window | None:
    window = settled(hold)
    return window if isinstance(window, Window) else None


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
    hold = _last_hold(frame)
    return hold.from_s if len(hold.lines) else None


def window_at(frame: pd.DataFrame, from_s: float, to_s: float) -> Window | str:
    """The window that was asked for, counted from the start of the last throttle hold.

    A sentence that says why not, where it is not inside that hold.
    """
    return window_in(_last_hold(frame), from_s, to_s, "last hold")


def window_in(hold: Hold, from_s: float, to_s: float, called: str) -> Window | str:
    """The same in any `hold`, by the name that the sentence gives it."""
    if len(hold.lines) < 2:
        return "it has no throttle hold"
    begin_s, end_s = hold.from_s, hold.to_s
    # The last line stands for the time up to the next.
    spare_s = max(BLOCK_S, (end_s - begin_s) / (len(hold.lines) - 1))
    if begin_s + to_s > end_s + spare_s:
        return f"its {called} lasts {end_s - begin_s:.1f} s, the window ends at {to_s:g} s"
    return Window(begin_s + from_s, begin_s + to_s, begin_s)


def _last_hold(frame: pd.DataFrame) -> Hold:
    *_, hold = _holds(frame)
    return hold


def _holds(frame: pd.DataFrame) -> Iterator[Hold]:
    """At least one, which has no lines where the motor was not driven."""
    driven = frame[(frame["phase"] == State.RUNNING).to_numpy()]
    if not len(driven):
        yield Hold(float("nan"), driven)
        return
    throttle = np.full(len(driven), np.nan)
    if "throttle_pct" in driven:
        throttle = driven["throttle_pct"].astype(float).ffill().bfill().to_numpy()
    time_s = driven["time_s"].to_numpy(dtype=float)
    changed = np.flatnonzero(np.diff(throttle)) + 1
    if np.isnan(throttle).all():
        changed = changed[:0]
    for first, end in pairwise([0, *changed.tolist(), len(driven)]):
        lines = driven.iloc[first:end]
        yield Hold(float(throttle[first]), lines, float(time_s[first]), float(time_s[end - 1]))


def settled(hold: Hold) -> Window | str:
    """The steady part of a hold, or a sentence that says why it has none."""
    if not len(hold.lines):
        return "the motor was not driven"
    time_s = hold.lines["time_s"].to_numpy(dtype=float)
    zero_s, length_s = float(time_s[0]), float(time_s[-1] - time_s[0])
    if length_s < SHORTEST_S:
        return f"it lasts {length_s:.1f} s, shorter than {SHORTEST_S:g} s"
    courses = []
    for column in WATCHED:
        if column not in hold.lines:
            continue
        values = hold.lines[column].to_numpy(dtype=float)
        use = hold.lines["valid"].to_numpy(dtype=bool) & np.isfinite(values)
        course = course_of(time_s[use] - zero_s, values[use])
        if course is not None:
            courses.append(course)
        elif column == "speed_rpm" and use.any():
            return "the motor stands still"
    start_s, settling_s = _start(courses, length_s) if courses else (length_s / 3.0, None)
    if length_s - start_s < SHORTEST_S:
        return f"speed or current did not settle in {length_s:.1f} s"
    return Window(zero_s + start_s, float(time_s[-1]), zero_s, settling_s)


def _start(courses: list[Course], length_s: float) -> tuple[float, float | None]:
    """From where on a hold is steady, and the time constant of what is still seen there."""
    quiet_s = max(map(_quiet_from_s, courses))
    found = spin_up(courses, length_s)
    start_s = max(quiet_s, found.gone_s)
    if length_s - start_s >= SHORTEST_S:
        return start_s, None
    if not found.known:
        return length_s, None
    return max(quiet_s, length_s - max(SHORTEST_S, WINDOW_TAUS * found.tau_s)), found.tau_s


def _quiet_from_s(course: Course) -> float:
    """From where on few blocks are unsteady, beginning with one that is steady itself."""
    if len(course.parts) < 2:
        return 0.0
    unsteady = np.append(r_statistic(course.parts[::-1], NO_MATTER)[::-1] > CRITICAL, False)
    left = np.cumsum(unsteady[::-1])[::-1]
    share = left / np.arange(len(unsteady), 0, -1)
    begins = np.flatnonzero((share <= UNSTEADY_SHARE) & ~unsteady)
    return float(course.time_s[begins[0]])
