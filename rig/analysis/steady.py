"""The part of a run in which nothing changes but what cannot be helped.

A run's figures come from here. The rotor has reached its speed, the last throttle hold is
on, the motor is still driven.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

SPEED_BAND = 0.02
"""The speed has settled once it stays within this fraction of its median in the later half
of the drive. A plain rule of ours, no source; a published test of steadiness is to follow."""

SHORTEST_S = 1.0


@dataclass(frozen=True, slots=True)
class Window:
    """From `start_s` to `end_s`, on the capture's time scale."""

    start_s: float
    end_s: float


def steady_window(frame: pd.DataFrame) -> Window | None:
    """The steady part of a run, or None where there is none of at least SHORTEST_S.

    `frame` has `time_s` (s), `phase` and, where there is a tachometer, `speed_rpm`;
    without one the later two thirds of the drive are taken.
    """
    driven = frame[(frame["phase"] == "running").to_numpy()]
    if len(driven) < 2:
        return None
    times_s = driven["time_s"].to_numpy()
    start_s, end_s = float(times_s[0]), float(times_s[-1])
    if "speed_rpm" in driven:
        speeds = driven["speed_rpm"].to_numpy()
        settled = float(np.nanmedian(speeds[len(speeds) // 2 :]))
        outside = np.flatnonzero(np.abs(speeds - settled) > SPEED_BAND * abs(settled))
        if settled <= 0.0 or (len(outside) and outside[-1] + 1 >= len(times_s)):
            return None
        if len(outside):
            start_s = float(times_s[outside[-1] + 1])
    else:
        start_s += (end_s - start_s) / 3.0
    return Window(start_s, end_s) if end_s - start_s >= SHORTEST_S else None
