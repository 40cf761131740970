"""A row of figures for each step of a run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pandas as pd
from pandas.api.types import is_integer_dtype

from rig.analysis.inference import standard_error
from rig.analysis.integral import integral
from rig.analysis.steady import Hold, Window, mean_over, settled, steady_window, steps_of, window_in
from rig.analysis.supply import supply_resistance_ohm
from rig.analysis.temperatures import Warmed, warmed, warmed_by
from rig.stand.turns import EdgeScale, mean_speed_rpm, whole_turns

_NOT_AVERAGED = frozenset({"time_s"})
_PHYSICAL_ENDINGS = ("_a", "_v", "_w", "_rpm", "_nm", "_n", "_degc")


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one step of a run; `means` is empty where the step has no steady part.

    `means`: by column, over the steady window; further the keys that `run_figures` lists.
    `errors`: standard errors of what is in `means`, autocorrelation allowed for.
    `counts`: `invalid` and `lines` in the drive.
    `still_rising`: the temperatures that still rose when the recording ended.
    `throttle_pct` and `hold_from_s` are those of its throttle hold, nan where not known;
    `why` says why there is no window.
    """

    window: Window | None = None
    means: Mapping[str, float] = field(default_factory=dict)
    errors: Mapping[str, float] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)
    still_rising: tuple[str, ...] = ()
    throttle_pct: float = math.nan
    hold_from_s: float = math.nan
    why: str = ""


def figures_of(
    frame: pd.DataFrame, window: Window | None = None, tachometer: EdgeScale | None = None
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
    `shaft_w` where torque was measured; and `supply_ohm` (`rig.analysis.supply`).
    """
    run = _Run(frame, tachometer)
    window = window or steady_window(frame)
    return run.figures(window) if window is not None else Figures(counts=run.counts)


def figures_by_step(
    frame: pd.DataFrame,
    tachometer: EdgeScale | None = None,
    window_s: tuple[float, float] | None = None,
) -> tuple[Figures, ...]:
    """The figures of each step of a run in order, at least one; the last is `figures_of`.

    A step's figures are those of a run that ended with it: charge, energy and `recorded_s` count
    from the begin of the recording to the step's end, and a temperature rises from the run's
    start to there. It has no peak, since the run went on. `voltage_rest_v` and `supply_ohm` are
    the run's, the same in each step. With `window_s` the window of each step is from and to, in s
    from the start of its own hold.
    """
    run = _Run(frame, tachometer)
    *before, last = steps_of(frame)
    steps = [run.step(h, window_s, f"hold at {h.throttle_pct:g} %", until=h) for h in before]
    return (*steps, run.step(last, window_s, "last hold" if steps else ""))


class _Run:
    """One run, and what its steps share: each is computed once, when first asked for."""

    def __init__(self, frame: pd.DataFrame, tachometer: EdgeScale | None) -> None:
        self.frame, self.tachometer = frame, tachometer
        self.time_s = frame["time_s"].to_numpy(dtype=float)
        self.valid = frame["valid"].to_numpy(dtype=bool)
        self.driven = (frame["phase"] == "running").to_numpy()
        self.columns = physical_columns(frame)
        invalid = int((self.driven & ~self.valid).sum())
        self.counts = {"lines": int(self.driven.sum()), "invalid": invalid}
        self.supply_ohm = cache(lambda: supply_resistance_ohm(frame))
        self.warmed = cache(lambda column: warmed(frame, column))

    def step(
        self,
        hold: Hold,
        window_s: tuple[float, float] | None,
        called: str,
        until: Hold | None = None,
    ) -> Figures:
        """The figures of one throttle hold, which is `called` so where there are others."""
        if window_s:
            window = window_in(hold, *window_s, called or "last hold")
        elif isinstance(window := settled(hold), str):
            window = f"{f'its {called}' if called else 'it'} has no steady part: {window}"
        found = self.figures(window, until) if isinstance(window, Window) else Figures(why=window)
        return replace(
            found, counts=self.counts, throttle_pct=hold.throttle_pct, hold_from_s=hold.from_s
        )

    def figures(self, window: Window, until: Hold | None = None) -> Figures:
        """Over `window`, of the whole run or of what was recorded `until` the end of a hold."""
        inside = (self.time_s >= window.start_s) & (self.time_s <= window.end_s)
        rows = self.frame[inside]
        steady = rows[self.valid[inside]]
        means: dict[str, float] = {}
        errors: dict[str, float] = {}
        rising: list[str] = []
        for column in self.columns:
            means[column], errors[column] = mean_over(window, steady["time_s"], steady[column])
            if column.endswith("_degc") and (warmth := self.warmed(column)) is not None:
                if until is not None:
                    warmth = warmed_by(until.lines, column, warmth)
                means[f"{column}_rate"] = _slope_per_min(steady, column)
                _add_warmth(means, errors, column, warmth)
                rising += [column] if warmth.still_rising else []
        if self.tachometer is not None and "speed_rpm" in means:
            speed = _speed_over(rows, window, self.tachometer)
            if speed is not None:
                means["speed_rpm"], errors["speed_rpm"] = speed
        _add_derived(means, errors, steady, window)
        if "voltage_v" in self.frame and self.driven.any():
            resting = np.arange(len(self.frame)) < self.driven.argmax()
            means["voltage_rest_v"] = float(
                self.frame.loc[resting & self.valid, "voltage_v"].mean()
            )
        recorded = self.frame if until is None else self.frame[: self._end_of(until)]
        _add_totals(means, errors, recorded)
        sag = self.supply_ohm()
        if sag is not None:
            means["supply_ohm"], errors["supply_ohm"] = sag
        return Figures(window, means, errors, self.counts, tuple(rising))

    def _end_of(self, hold: Hold) -> int:
        """How many rows the run has up to the end of a hold."""
        return int(np.searchsorted(self.time_s, hold.to_s, side="right"))


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


def run_figures(frame: pd.DataFrame, tachometer: EdgeScale | None = None) -> dict[str, float]:
    """`figures_of` as one flat mapping; empty where the run has no steady part.


    `steady_from_s` and `steady_to_s` count from the start of the last throttle hold, which
    lies at `hold_from_s` on the capture's time scale.
    """
    figures = figures_of(frame, tachometer=tachometer)
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
        **({} if warmth.peak is None else {"peak": warmth.peak}),
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
