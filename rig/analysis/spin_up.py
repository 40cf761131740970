"""When the spin-up of a hold no longer matters to a mean.

A spin-up ends far below the noise of a reading, so a rule that looks for it in the readings
cannot find its end (one of the kind is MSER: K. P. White, Simulation 69 (1997) 323-334). But it
is large at its begin and ends as an exponential, so it can be extrapolated. From time t on, a
spin-up of size A and time constant tau moves the mean up to the end T by
A tau exp(-t / tau) / (T - t); it no longer matters where this is below LEFT_OVER.

Tau is fitted to the last tenth of the spin-up, for speed and current together, since both
follow the same rotor: of a grid it is the one of greatest likelihood, where level, drift and
size are linear (variable projection: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973)
413-432). A spin-up with overshoot is no exponential, but its envelope is. So the times at which
readings were last far from the level, and last less far, are extrapolated as well, and the
later end counts.

At the end of six time constants a spin-up is still 0.25 % low, and no window makes the mean of
such a hold true to 0.02 %; from seven on its tau is known well enough to take it out.

`python -m tests.truth spinups` prints how well this works.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BLOCK_S = 0.05
"""Lines are averaged over so long first, so that neighbours no longer hang together."""

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

LONGEST_PAUSE_S = 0.5

SEEN, SEEN_BEFORE = 0.01, 0.1
"""Deviations between which the envelope's time constant is measured."""

ENVELOPE_TAUS = 1.5
"""Where the envelope's time constant is so many times the fitted one, it is no exponential."""


@dataclass(frozen=True, slots=True)
class Course:
    """One watched quantity of a hold, a row per block that has a valid reading.

    `time_s` counts from the start of the hold; `parts` are in parts of the median of the
    second half, of which `level` is the value (1 or -1) and `noise` the scatter about it.
    """

    time_s: Floats
    parts: Floats
    level: float
    noise: float

    def last_beyond_s(self, away: float) -> float:
        """When the spin-up was last further than `away` from the level; 0 where it never was.

        After a quiet time as long as all before it, a deviation is no spin-up.
        """
        beyond_s = self.time_s[np.abs(self.parts - self.level) > away]
        before_s = np.concatenate([[0.0], beyond_s])
        apart = np.flatnonzero(beyond_s > 2.0 * before_s[:-1] + LONGEST_PAUSE_S)
        return float(before_s[apart[0]] if len(apart) else before_s[-1])


@dataclass(frozen=True, slots=True)
class SpinUp:
    """Time constant; from when on it does not matter, in s; whether tau may be relied on."""

    tau_s: float
    gone_s: float
    known: bool


def course_of(time_s: Floats, values: Floats) -> Course | None:
    """The `values` of a hold at `time_s`; None without any, and where they are nothing but 0."""
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
    return Course(times_s, means / size, level / size, noise / size)


def spin_up(courses: Sequence[Course], length_s: float) -> SpinUp:
    """What the courses of one hold of `length_s` have in common."""
    tails = [_tail(course) for course in courses]
    taus = np.geomspace(SHORTEST_TAU_S, max(length_s / 5.0, 2.0 * SHORTEST_TAU_S), 30)
    for _ in range(2):  # A coarse grid, then a fine one about its best.
        fits = [_fit(time_s - time_s[0], parts, taus) for time_s, parts in tails]
        best = int(np.argmin(np.sum([misfit for _, misfit in fits], axis=0)))
        tau_s, sizes = float(taus[best]), [float(abs(size[best])) for size, _ in fits]
        taus = np.geomspace(taus[max(best - 1, 0)], taus[min(best + 1, len(taus) - 1)], 21)
    begins_s = [float(time_s[0]) for time_s, _ in tails]
    gone_s = [
        _gone_s(course, begin_s, size, tau_s, length_s)
        for course, begin_s, size in zip(courses, begins_s, sizes, strict=True)
    ]
    envelopes = [_envelope(course, length_s) for course in courses]
    exponential = all(seen_s < ENVELOPE_TAUS * tau_s for seen_s, _ in envelopes)
    known = exponential and length_s - min(begins_s) >= TAIL_TAUS * tau_s
    return SpinUp(tau_s, max(*gone_s, *(later_s for _, later_s in envelopes)), known)


def _tail(course: Course) -> tuple[Floats, Floats]:
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


def _envelope(course: Course, length_s: float) -> tuple[float, float]:
    """The time constant of the largest deviations, and from when on they do not matter, in s."""
    seen = max(SEEN, 6.0 * course.noise)
    before = min(SEEN_BEFORE / SEEN * seen, abs(float(course.parts[0]) - course.level))
    seen_s = course.last_beyond_s(seen)
    took_s = seen_s - course.last_beyond_s(0.999 * before)
    if before < 2.0 * seen or took_s <= 0.0:
        return 0.0, seen_s
    tau_s = took_s / float(np.log(before / seen))
    return tau_s, _gone_s(course, seen_s, seen, tau_s, length_s)


def _gone_s(course: Course, at_s: float, size: float, tau_s: float, length_s: float) -> float:
    """From when on an exponential of `size` at `at_s` moves the mean by too little to matter."""
    times_s = at_s + tau_s * np.linspace(0.0, 15.0, 601)
    times_s = times_s[times_s < length_s]
    moved = size * tau_s * np.exp((at_s - times_s) / tau_s) / (length_s - times_s)
    error = course.noise / np.sqrt(len(course.parts))
    small = np.flatnonzero(moved < max(LEFT_OVER, LEFT_OVER_ERRORS * error))
    return float(times_s[small[0]]) if len(small) else length_s
