"""Captures of runs with several throttle steps, each with a spin-up of known time constant."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from rig.stand.settings import demo_stand, stand_to_dict
from tests.report.captures import write

LINE_HZ = 100
REST_S, COAST_S, TAU_S = 0.5, 1.0, 0.15


def stepped_frame(
    throttles_pct: Sequence[float],
    *,
    hold_s: float = 3.0,
    faster: float = 1.0,
    seed: int = 1,
    wander: float | None = None,
) -> pd.DataFrame:
    """At rest, `hold_s` at each throttle, and a coast; `faster` multiplies all speeds.

    At the throttle of `wander` the speed rises by half over the hold, so that it never settles.
    """
    lines = round((REST_S + hold_s * len(throttles_pct) + COAST_S) * LINE_HZ)
    time_s = np.arange(lines) / LINE_HZ
    hold = np.floor((time_s - REST_S) / hold_s + 1e-9).astype(int)
    running = (hold >= 0) & (hold < len(throttles_pct))
    throttle = np.where(running, np.take(throttles_pct, hold, mode="clip"), 0.0)
    wanted = 150.0 * faster * throttle
    speed = np.zeros(lines)
    for at in range(1, lines):
        speed[at] = wanted[at] + (speed[at - 1] - wanted[at]) * np.exp(-1.0 / LINE_HZ / TAU_S)
    if wander is not None:
        speed *= np.where(
            throttle == wander, 1.0 + ((time_s - REST_S) % hold_s) / 2.0 / hold_s, 1.0
        )
    noise = np.random.default_rng(seed).normal(1.0, 1e-3, (3, lines))
    speed *= noise[0]
    current = (0.5 + 30.0 * (speed / 10_000.0) ** 2) * noise[1]
    voltage = (24.0 - 0.02 * current) * noise[2]
    return pd.DataFrame(
        {
            "time_s": time_s,
            "current_a": current,
            "voltage_v": voltage,
            "power_w": current * voltage,
            "speed_rpm": speed,
            "motor_degc": 20.0 + np.cumsum(current) / LINE_HZ / 50.0,
            "throttle_pct": np.where(running, throttle, np.nan),
            "valid": True,
            "phase": np.where(running, "running", np.where(time_s < REST_S, "ready", "coasting")),
        }
    )


def stepped(
    path: Path,
    throttles_pct: Sequence[float],
    *,
    setup: str = "late",
    minute: int = 0,
    **made: float,
) -> Path:
    """The same as a capture, begun so many minutes after noon."""
    hold_s = made.get("hold_s", 3.0)
    meta = {
        "setup": setup,
        "outcome": "done",
        "utc": f"2031-05-04T12:{minute:02}:00+00:00",
        "stand": json.loads(json.dumps(stand_to_dict(demo_stand()))),
        "plan": {"throttle": [[pct, hold_s] for pct in throttles_pct]},
    }
    frame = stepped_frame(throttles_pct, seed=minute, **made)  # type: ignore[arg-type]
    write(path, pa.Table.from_pandas(frame, preserve_index=False), meta)
    return path
