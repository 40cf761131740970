"""The part of a run in which nothing changes but what cannot be helped.

A run's figures come from here: the last throttle hold, once speed and current have settled.
Settled is judged by the R-statistic (S. Cao and R. R. Rhinehart, J. Process Control 5 (1995)
363-374): the variance about a filtered mean over the variance from sample to sample, 1 for
noise about a constant and more while there is a trend. It is taken backwards from the end
of the hold: forwards its filters remember a spin-up for seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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

NO_MATTER = 0.01
"""A wander of this fraction of the reading does not count: white noise of this size is added
to both variances. A current may well wander by half a percent for as long as it is watched,
and a speed measured without noise would never be called steady. Ours, no source."""

SHORTEST_S = 1.0

WATCHED = ("speed_rpm", "current_a")


@dataclass(frozen=True, slots=True)
class Window:
    """From `start_s` to `end_s`, on the capture's time scale."""

    start_s: float
    end_s: float


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
    # Only here, since it takes a second to load and a live run does without.
    from scipy import signal

    result, _ = signal.lfilter([weight], [1.0, weight - 1.0], values, zi=[(1.0 - weight) * start])
    return np.asarray(result, dtype=float)


def _holds(frame: pd.DataFrame) -> Iterator[tuple[float, pd.DataFrame]]:
    driven = frame[(frame["phase"] == "running").to_numpy()]
    if "throttle_pct" not in driven or not len(driven):
        yield float("nan"), driven
        return
    throttle = driven["throttle_pct"].to_numpy(dtype=float)
    changed = np.flatnonzero(throttle[1:] != throttle[:-1]) + 1
    if np.isnan(throttle).all():
        changed = changed[:0]
    for rows in np.split(np.arange(len(driven)), changed):
        yield float(throttle[rows[0]]), driven.iloc[rows]


def _settled(hold: pd.DataFrame) -> Window | None:
    if len(hold) < 2:
        return None
    time_s = hold["time_s"].to_numpy(dtype=float)
    block = np.floor((time_s - time_s[0]) / BLOCK_S).astype(int)
    unsteady = np.zeros(block[-1] + 1, dtype=bool)
    watched = [column for column in WATCHED if column in hold]
    for column in watched:
        values = hold[column].to_numpy(dtype=float)
        use = hold["valid"].to_numpy(dtype=bool) & np.isfinite(values)
        if not use.any():
            continue
        counts = np.bincount(block[use], minlength=len(unsteady))
        known = np.flatnonzero(counts)
        sums = np.bincount(block[use], values[use], minlength=len(unsteady))
        means = sums[known] / counts[known]
        size = abs(float(np.median(means[len(means) // 2 :])))
        if column == "speed_rpm" and size <= 0.0:
            return None
        if len(means) > 1:
            back = r_statistic(means[::-1], NO_MATTER * size)
            unsteady[known[:-1]] |= back[::-1] > CRITICAL
    start_s = time_s[0] + (_from(unsteady) * BLOCK_S if watched else (time_s[-1] - time_s[0]) / 3.0)
    return Window(float(start_s), float(time_s[-1])) if time_s[-1] - start_s >= SHORTEST_S else None


def _from(unsteady: NDArray[np.bool_]) -> int:
    """The first block from which on few are unsteady, and which is steady itself."""
    left = np.cumsum(unsteady[::-1])[::-1]
    share = left / np.arange(len(unsteady), 0, -1)
    begins = np.flatnonzero((share <= UNSTEADY_SHARE) & ~unsteady)
    return int(begins[0]) if len(begins) else len(unsteady)
