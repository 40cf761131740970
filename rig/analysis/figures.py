"""One row of figures per run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from pandas.api.types import is_integer_dtype

from rig.analysis.inference import standard_error
from rig.analysis.integral import integral
from rig.analysis.steady import Window, mean_over, steady_window
from rig.analysis.supply import supply_resistance_ohm
from rig.analysis.temperatures import Warmed, warmed
from rig.stand.reference import CountScale
from rig.stand.turns import EdgeScale, mean_speed_rpm, whole_turns
from rig.vocabulary import State

_NOT_AVERAGED = frozenset({"time_s"})
_PHYSICAL_ENDINGS = ("_a", "_v", "_w", "_rpm", "_nm", "_n", "_degc")


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one run; `means` is empty where the run has no steady part.

    `means`: by column, over the steady window; further the keys that `run_figures` lists.
    `errors`: standard errors of what is in `means`, autocorrelation allowed for.
    `counts`: `invalid` and `lines` in the drive.
    `still_rising`: the temperatures that still rose when the recording ended.
    """

    window: Window | None = None
    means: Mapping[str, float] = field(default_factory=dict)
    errors: Mapping[str, float] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)
    still_rising: tuple[str, ...] = ()


def figures_of(
    frame: pd.DataFrame,
    window: Window | None = None,
    tachometer: EdgeScale | None = None,
    reference: CountScale | None = None,
) -> Figures:
    """The figures of one run, over `window` or over the steady part of its last hold.

    For every physical column its mean over the window; for the speed, where `tachometer` says
    how, whole turns over the time they took. Power is the mean of the product of volts and
    amps, since `power_w` holds the products. Rows that are not valid are left out.

    For temperatures, in degrees Celsius and smoothed (`rig.analysis.temperatures`):
    `<column>_start` before the drive, `<column>_end` of the drive, `<column>_peak`, heat soak
    included; `<column>_rise` (K) from start to peak; `<column>_rate` in the window (K/min);
    and `<column>_expected_peak` where it still rose at the end and a curve could be fitted.

    Further: `voltage_rest_v` before the motor is driven; `rpm_per_v` under load; over the
    whole run `recorded_s`, `charge_ah`, `energy_wh` and `bridged_pct`, the share of the time
    without valid readings that they bridge (`rig.analysis.integral`); `efficiency` and
    `shaft_w` where torque was measured; `supply_ohm` (`rig.analysis.supply`); and where the board
    measures its converter's `reference`, `reference_count`, its mean count of one conversion.
    """
    window = window or steady_window(frame)
    valid = frame["valid"].to_numpy(dtype=bool)
    driven = (frame["phase"] == State.RUNNING).to_numpy()
    counts = {"lines": int(driven.sum()), "invalid": int((driven & ~valid).sum())}
    if window is None:
        return Figures(counts=counts)
    steady = frame[frame["time_s"].between(window.start_s, window.end_s).to_numpy() & valid]
    means: dict[str, float] = {}
    errors: dict[str, float] = {}
    rising: list[str] = []
    for column in physical_columns(frame):
        means[column], errors[column] = mean_over(window, steady["time_s"], steady[column])
        if column.endswith("_degc") and (warmth := warmed(frame, column)) is not None:
            means[f"{column}_rate"] = _slope_per_min(steady, column)
            _add_warmth(means, errors, column, warmth)
            rising += [column] if warmth.still_rising else []
    if tachometer is not None and "speed_rpm" in means:
        rows = frame[frame["time_s"].between(window.start_s, window.end_s).to_numpy()]
        speed = _speed_over(rows, window, tachometer)
        if speed is not None:
            means["speed_rpm"], errors["speed_rpm"] = speed
    if reference is not None and reference.column in steady:
        counts_of_one = (steady[reference.column] + reference.zero) / reference.conversions
        means["reference_count"], errors["reference_count"] = mean_over(
            window, steady["time_s"], counts_of_one
        )
    _add_derived(means, errors, steady, window)
    if "voltage_v" in frame and driven.any():
        resting = np.arange(len(frame)) < driven.argmax()
        means["voltage_rest_v"] = float(frame.loc[resting & valid, "voltage_v"].mean())
    _add_totals(means, errors, frame)
    sag = supply_resistance_ohm(frame)
    if sag is not None:
        means["supply_ohm"], errors["supply_ohm"] = sag
    return Figures(window, means, errors, counts, tuple(rising))


def _speed_over(
    rows: pd.DataFrame, window: Window, tachometer: EdgeScale
) -> tuple[float, float] | None:
    """The mean speed and its standard error in rpm; None without one whole turn.

    The mean is turns over ticks, so its error is that of what each span has more or fewer
    turns than the mean speed gives it. What the window still has of a spin-up is taken from
    the readings.
    """
    names = ("edges", "edge_tick")
    if not all(name in rows and is_integer_dtype(rows[name]) for name in names):
        return None
    edges, edge_tick = (rows[name].to_numpy(dtype=np.int64) for name in names)
    valid = rows["valid"].to_numpy(dtype=bool)
    marks = tachometer.marks_per_turn
    mean = mean_speed_rpm(edges, edge_tick, valid, marks, tachometer.tick_hz)
    if not math.isfinite(mean):
        return None
    if window.settling_s is not None:
        readings = rows.loc[valid, "speed_rpm"]
        level, error = mean_over(window, rows.loc[valid, "time_s"], readings)
        return mean + level - float(readings.mean()), error
    turns, ticks = whole_turns(edges, edge_tick, valid, marks)
    over = turns - ticks * (turns.sum() / ticks.sum())
    return mean, mean * standard_error(over) / float(turns.mean())


def run_figures(
    frame: pd.DataFrame,
    tachometer: EdgeScale | None = None,
    reference: CountScale | None = None,
) -> dict[str, float]:
    """`figures_of` as one flat mapping; empty where the run has no steady part.


    `steady_from_s` and `steady_to_s` count from the start of the last throttle hold, which
    lies at `hold_from_s` on the capture's time scale.
    """
    figures = figures_of(frame, tachometer=tachometer, reference=reference)
    window = figures.window
    if window is None:
        return {}
    return {
        "hold_from_s": window.hold_from_s,
        "steady_from_s": window.start_s - window.hold_from_s,
        "steady_to_s": window.end_s - window.hold_from_s,
        **figures.means,
    }


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


def _add_warmth(
    means: dict[str, float], errors: dict[str, float], column: str, warmth: Warmed
) -> None:
    found = {
        "start": warmth.start,
        "end": warmth.end,
        "peak": warmth.peak,
        "rise": warmth.rise,
    }
    if warmth.expected_peak is not None:
        found["expected_peak"] = warmth.expected_peak
    for name, estimate in found.items():
        means[f"{column}_{name}"], errors[f"{column}_{name}"] = estimate


def _add_totals(means: dict[str, float], errors: dict[str, float], frame: pd.DataFrame) -> None:
    """Charge and energy over the whole run."""
    time_s = frame["time_s"].to_numpy(dtype=float)
    bridged = []
    for column, name in (("current_a", "charge_ah"), ("power_w", "energy_wh")):
        if column in frame:
            total = integral(time_s, frame[column], frame["valid"])
            means[name], errors[name] = total.value / 3600.0, total.u / 3600.0
            bridged.append(100.0 * total.bridged)
    if bridged:
        means["recorded_s"] = float(time_s[-1] - time_s[0])
        means["bridged_pct"] = max(bridged)


def _add_derived(
    means: dict[str, float], errors: dict[str, float], steady: pd.DataFrame, window: Window
) -> None:
    """Ratios: their errors come from the residuals of the ratio, so that what numerator and
    denominator share does not count twice.
    """
    time_s = steady["time_s"]
    if {"speed_rpm", "voltage_v"} <= means.keys() and means["voltage_v"] > 0.0:
        ratio = means["rpm_per_v"] = means["speed_rpm"] / means["voltage_v"]
        _, rest = mean_over(window, time_s, steady["speed_rpm"] - ratio * steady["voltage_v"])
        errors["rpm_per_v"] = rest / means["voltage_v"]
    if {"torque_nm", "speed_rpm", "power_w"} <= set(steady):
        shaft_w = steady["torque_nm"] * steady["speed_rpm"] * (np.pi / 30.0)
        means["shaft_w"], errors["shaft_w"] = mean_over(window, time_s, shaft_w)
        if means["power_w"] > 0.0:
            ratio = means["efficiency"] = means["shaft_w"] / means["power_w"]
            _, rest = mean_over(window, time_s, shaft_w - ratio * steady["power_w"])
            errors["efficiency"] = rest / means["power_w"]
