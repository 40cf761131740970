"""Runs over time, thinned for a drawing: the lowest and highest reading of each short span.

A capture is read one row group at a time, twice, so that its length does not matter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rig.captures.capture import batches, read_schema
from rig.vocabulary import State

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Trace:
    """One run. Times are in seconds from `hold_at_s`, the start of one throttle hold.

    `time_s` is the middle of each span, shape (spans,); `low` and `high` have such a row per
    column, nan where a span has no valid reading. The motor was driven over `driven_s`.
    """

    time_s: Floats
    low: Mapping[str, Floats]
    high: Mapping[str, Floats]
    hold_at_s: float
    driven_s: tuple[float, float]


@dataclass(slots=True)
class _Course:
    """Where things lie on a capture's time scale."""

    first_s: float = math.nan
    last_s: float = math.nan
    rows: int = 0
    running_s: float = math.nan
    hold_s: float = math.nan
    stopped_s: float = math.nan


def trace(path: Path, columns: Sequence[str], spans: int, zero_s: float = math.nan) -> Trace:
    """The run in `path`; of `columns` those that it has. Raises InputFileError.

    Times count from `zero_s` on the capture's time scale, or from the last throttle hold.
    """
    names = read_schema(path).names
    course = _course(path, [name for name in ("time_s", "phase", "throttle_pct") if name in names])
    shown = [column for column in columns if column in names]
    spans = max(1, min(spans, course.rows // 2))
    low = {column: np.full(spans, np.nan) for column in shown}
    high = {column: np.full(spans, np.nan) for column in shown}
    span_s = (course.last_s - course.first_s) / spans or 1.0
    for frame in _frames(path, ["time_s", "valid", *shown]):
        time_s = frame["time_s"].to_numpy(dtype=float)
        valid = frame["valid"].to_numpy(dtype=bool) & np.isfinite(time_s)
        span = ((time_s[valid] - course.first_s) / span_s).astype(int).clip(0, spans - 1)
        for column in shown:
            values = frame[column].to_numpy(dtype=float)[valid]
            np.fmin.at(low[column], span, values)
            np.fmax.at(high[column], span, values)
    middles = np.asarray(course.first_s + span_s * (np.arange(spans) + 0.5), dtype=float)
    zeros_s = (zero_s, course.hold_s, course.first_s)
    hold_s = next(filter(math.isfinite, zeros_s), math.nan)
    driven_s = (course.running_s - hold_s, course.stopped_s - hold_s)
    return Trace(middles - hold_s, low, high, hold_s, driven_s)


def _frames(path: Path, columns: Sequence[str]) -> Iterator[pd.DataFrame]:
    for batch in batches(path, columns):
        yield batch.to_pandas()


def _course(path: Path, columns: Sequence[str]) -> _Course:
    course = _Course()
    throttle = math.nan
    for frame in _frames(path, columns):
        if not len(frame):
            continue
        time_s = frame["time_s"].to_numpy(dtype=float)
        course.first_s = float(np.fmin(course.first_s, np.nanmin(time_s)))
        course.last_s = float(np.fmax(course.last_s, np.nanmax(time_s)))
        course.rows += len(frame)
        running = (frame["phase"] == State.RUNNING).to_numpy()
        if not running.any():
            continue
        driven_s = time_s[running]
        if math.isnan(course.running_s):
            course.running_s = course.hold_s = float(driven_s[0])
        course.stopped_s = float(driven_s[-1])
        if "throttle_pct" not in frame:
            continue
        steps = frame["throttle_pct"].to_numpy(dtype=float)[running]
        known = np.flatnonzero(np.isfinite(steps))
        if not len(known):
            continue
        before = np.concatenate([[throttle], steps[known][:-1]])
        changed = known[(steps[known] != before) & np.isfinite(before)]
        if len(changed):
            course.hold_s = float(driven_s[changed[-1]])
        throttle = float(steps[known[-1]])
    return course
