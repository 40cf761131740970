"""One row of figures per run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from rig.analysis.inference import standard_error
from rig.analysis.steady import Window, mean_over, steady_window

_NOT_AVERAGED = frozenset({"time_s"})
_PHYSICAL_ENDINGS = ("_a", "_v", "_w", "_rpm", "_nm", "_n", "_degc")

SAG_FROM_A = 2.0
"""The supply's resistance is told where the current moves by at least so much."""


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one run; `means` is empty where the run has no steady part.

    `means`: by column, over the steady window; further the keys that `run_figures` lists.
    `errors`: standard errors of the means in `means`, autocorrelation allowed for.
    `counts`: `invalid` and `lines` in the drive.
    """

    window: Window | None = None
    means: Mapping[str, float] = field(default_factory=dict)
    errors: Mapping[str, float] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)


def figures_of(frame: pd.DataFrame, window: Window | None = None) -> Figures:
    """The figures of one run, over `window` or over the steady part of its last hold.

    For every physical column its mean over the window; for temperatures (degrees Celsius)
    also `<column>_start`, `<column>_end` of the drive, `<column>_peak`, heat soak included,
    `<column>_rise` (K) from start to peak, and `<column>_rate` in the window (K/min). Power
    is the mean of the product of volts and amps, since `power_w` holds the products. Rows
    that are not valid are left out. Further: `voltage_rest_v` before the motor is driven,
    `rpm_per_v` under load, `charge_ah` and `energy_wh` over the whole run by the trapezoidal
    rule over the board's ticks, `efficiency` and `shaft_w` where torque was measured, and
    `supply_ohm`, the slope of volts over amps, where the current moved enough.
    """
    window = window or steady_window(frame)
    valid = frame["valid"].to_numpy(dtype=bool)
    driven = (frame["phase"] == "running").to_numpy()
    counts = {"lines": int(driven.sum()), "invalid": int((driven & ~valid).sum())}
    if window is None:
        return Figures(counts=counts)
    steady = frame[frame["time_s"].between(window.start_s, window.end_s).to_numpy() & valid]
    means: dict[str, float] = {}
    errors: dict[str, float] = {}
    for column in physical_columns(frame):
        means[column], errors[column] = mean_over(window, steady["time_s"], steady[column])
        if column.endswith("_degc"):
            readings = frame.loc[valid, column].dropna()
            if len(readings):
                at_end = frame.loc[driven & valid, column].dropna()
                means[f"{column}_start"] = float(readings.iloc[0])
                means[f"{column}_end"] = float(at_end.iloc[-1]) if len(at_end) else math.nan
                means[f"{column}_peak"] = float(readings.max())
                means[f"{column}_rate"] = _slope_per_min(steady, column)
                means[f"{column}_rise"] = float(readings.max() - readings.iloc[0])
    _add_derived(means, errors, steady, window)
    if "voltage_v" in frame and driven.any():
        resting = np.arange(len(frame)) < driven.argmax()
        means["voltage_rest_v"] = float(frame.loc[resting & valid, "voltage_v"].mean())
    time_s = frame["time_s"].to_numpy()
    for column, name in (("current_a", "charge_ah"), ("power_w", "energy_wh")):
        if column in frame:
            values = np.nan_to_num(frame[column].to_numpy(dtype=float))
            means[name] = float(np.trapezoid(values, time_s)) / 3600.0
    sag = supply_resistance_ohm(frame[driven & valid])
    if sag is not None:
        means["supply_ohm"], errors["supply_ohm"] = sag
    return Figures(window, means, errors, counts)


def run_figures(frame: pd.DataFrame) -> dict[str, float]:
    """`figures_of` as one flat mapping; empty where the run has no steady part.

    `steady_from_s` and `steady_to_s` count from the start of the last throttle hold, which
    lies at `hold_from_s` on the capture's time scale.
    """
    figures = figures_of(frame)
    window = figures.window
    if window is None:
        return {}
    return {
        "hold_from_s": window.hold_from_s,
        "steady_from_s": window.start_s - window.hold_from_s,
        "steady_to_s": window.end_s - window.hold_from_s,
        **figures.means,
    }


def supply_resistance_ohm(driven: pd.DataFrame) -> tuple[float, float] | None:
    """The supply's resistance and its standard error, from volts against amps of a drive.

    A straight line by least squares; the error allows for residuals that hang together.
    None where there is too little to tell it from.
    """
    if "current_a" not in driven or "voltage_v" not in driven:
        return None
    current_a, voltage_v = (driven[c].to_numpy(dtype=float) for c in ("current_a", "voltage_v"))
    use = np.isfinite(current_a) & np.isfinite(voltage_v)
    current_a, voltage_v = current_a[use], voltage_v[use]
    if len(current_a) < 20 or np.ptp(current_a) < SAG_FROM_A:
        return None
    off_a, off_v = current_a - current_a.mean(), voltage_v - voltage_v.mean()
    across = float((off_a * off_a).sum())
    slope = float((off_a * off_v).sum()) / across
    # The standard error of a mean, taken from the amps' weight in the slope.
    error = standard_error(off_v - slope * off_a) * np.sqrt(len(off_a) / across)
    return -slope, float(error)


def physical_columns(frame: pd.DataFrame) -> list[str]:
    """The columns that hold measured quantities, in the capture's order."""
    return [
        str(column)
        for column in frame.columns
        if str(column).endswith(_PHYSICAL_ENDINGS) and column not in _NOT_AVERAGED
    ]


def _slope_per_min(steady: pd.DataFrame, column: str) -> float:
    rows = steady[["time_s", column]].dropna().to_numpy(dtype=float)
    if len(rows) < 2:
        return math.nan
    time_s = rows[:, 0] - rows[:, 0].mean()
    return float(60.0 * (time_s * rows[:, 1]).sum() / (time_s * time_s).sum())


def _add_derived(
    means: dict[str, float], errors: dict[str, float], steady: pd.DataFrame, window: Window
) -> None:
    if {"speed_rpm", "voltage_v"} <= means.keys() and means["voltage_v"] > 0.0:
        means["rpm_per_v"] = means["speed_rpm"] / means["voltage_v"]
    if {"torque_nm", "speed_rpm", "power_w"} <= set(steady):
        shaft_w = steady["torque_nm"] * steady["speed_rpm"] * (np.pi / 30.0)
        means["shaft_w"], errors["shaft_w"] = mean_over(window, steady["time_s"], shaft_w)
        if means["power_w"] > 0.0:
            means["efficiency"] = means["shaft_w"] / means["power_w"]
