"""One row of figures per run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from rig.analysis.inference import standard_error
from rig.analysis.steady import Window, steady_window
from rig.stand.turns import mean_speed_rpm, whole_turns

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


@dataclass(frozen=True, slots=True)
class Tachometer:
    """What the capture's metadata say of its edges."""

    marks_per_turn: int
    tick_hz: float


def figures_of(
    frame: pd.DataFrame, window: Window | None = None, tachometer: Tachometer | None = None
) -> Figures:
    """The figures of one run, over `window` or over the steady part of its last hold.

    For every physical column its mean over the window, for the speed, where `tachometer` says
    how, whole turns over the time they took; for temperatures (degrees Celsius)
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
        values = steady[column].dropna().to_numpy(dtype=float)
        means[column] = float(values.mean()) if len(values) else float("nan")
        errors[column] = standard_error(values)
        if column.endswith("_degc"):
            readings = frame.loc[valid, column].dropna()
            if len(readings):
                at_end = frame.loc[driven & valid, column].dropna()
                means[f"{column}_start"] = float(readings.iloc[0])
                means[f"{column}_end"] = float(at_end.iloc[-1]) if len(at_end) else math.nan
                means[f"{column}_peak"] = float(readings.max())
                means[f"{column}_rate"] = _slope_per_min(steady, column)
                means[f"{column}_rise"] = float(readings.max() - readings.iloc[0])
    if tachometer is not None and "speed_rpm" in means:
        rows = frame[frame["time_s"].between(window.start_s, window.end_s).to_numpy()]
        speed = _speed_over(rows, tachometer)
        if speed is not None:
            means["speed_rpm"], errors["speed_rpm"] = speed
    _add_derived(means, errors, steady)
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


def _speed_over(rows: pd.DataFrame, tachometer: Tachometer) -> tuple[float, float] | None:
    """The mean speed and its standard error in rpm; None without one whole turn.

    The mean is turns over ticks, so its error is that of what each span has more or fewer
    turns than the mean speed gives it.
    """
    edges, edge_tick = (rows[name].to_numpy(dtype=np.int64) for name in ("edges", "edge_tick"))
    valid = rows["valid"].to_numpy(dtype=bool)
    marks = tachometer.marks_per_turn
    mean = mean_speed_rpm(edges, edge_tick, valid, marks, tachometer.tick_hz)
    if not math.isfinite(mean):
        return None
    turns, ticks = whole_turns(edges, edge_tick, valid, marks)
    over = turns - ticks * (turns.sum() / ticks.sum())
    return mean, mean * standard_error(over) / float(turns.mean())


def run_figures(frame: pd.DataFrame, tachometer: Tachometer | None = None) -> dict[str, float]:
    """`figures_of` as one flat mapping, with `steady_from_s` and `steady_to_s`; may be empty."""
    figures = figures_of(frame, tachometer=tachometer)
    if figures.window is None:
        return {}
    window = {"steady_from_s": figures.window.start_s, "steady_to_s": figures.window.end_s}
    return {**window, **figures.means}


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


def _add_derived(means: dict[str, float], errors: dict[str, float], steady: pd.DataFrame) -> None:
    if {"speed_rpm", "voltage_v"} <= means.keys() and means["voltage_v"] > 0.0:
        means["rpm_per_v"] = means["speed_rpm"] / means["voltage_v"]
    if {"torque_nm", "speed_rpm", "power_w"} <= set(steady):
        shaft_w = steady["torque_nm"] * steady["speed_rpm"] * (np.pi / 30.0)
        means["shaft_w"] = float(shaft_w.mean())
        errors["shaft_w"] = standard_error(shaft_w.dropna().to_numpy(dtype=float))
        if means["power_w"] > 0.0:
            means["efficiency"] = means["shaft_w"] / means["power_w"]
