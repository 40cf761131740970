"""One row of figures per run."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rig.analysis.steady import Window, steady_window

_NOT_AVERAGED = frozenset({"time_s"})
_PHYSICAL_ENDINGS = ("_a", "_v", "_w", "_rpm", "_nm", "_n", "_degc")


def run_figures(frame: pd.DataFrame) -> dict[str, float]:
    """The figures of one run; empty where the run has no steady part.

    For every physical column of `frame` its mean over the steady window, for temperatures
    also the rise from the first line to the peak (`motor_degc_rise`, K). Power is the mean
    of the product of volts and amps, since `power_w` holds the products. Rows that are not
    valid are left out. Further: `steady_from_s`, `steady_to_s`, `charge_ah`, `energy_wh`
    over the whole run, by the trapezoidal rule over the board's ticks.
    """
    window = steady_window(frame)
    if window is None:
        return {}
    steady = _inside(frame, window)
    figures = {"steady_from_s": window.start_s, "steady_to_s": window.end_s}
    for column in physical_columns(frame):
        figures[column] = float(steady[column].mean())
        if column.endswith("_degc"):
            readings = frame.loc[frame["valid"].to_numpy(dtype=bool), column].dropna()
            if len(readings):
                figures[f"{column}_rise"] = float(readings.max() - readings.iloc[0])
    time_s = frame["time_s"].to_numpy()
    for column, name in (("current_a", "charge_ah"), ("power_w", "energy_wh")):
        if column in frame:
            values = np.nan_to_num(frame[column].to_numpy(dtype=float))
            figures[name] = float(np.trapezoid(values, time_s)) / 3600.0
    return figures


def physical_columns(frame: pd.DataFrame) -> list[str]:
    """The columns that hold measured quantities, in the capture's order."""
    return [
        str(column)
        for column in frame.columns
        if str(column).endswith(_PHYSICAL_ENDINGS) and column not in _NOT_AVERAGED
    ]


def _inside(frame: pd.DataFrame, window: Window) -> pd.DataFrame:
    inside = frame["time_s"].between(window.start_s, window.end_s) & frame["valid"]
    return frame[inside.to_numpy()]
