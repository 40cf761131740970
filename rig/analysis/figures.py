"""A row of figures for each step of a run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import is_integer_dtype

from rig.analysis.inference import standard_error
from rig.analysis.integral import integral
from rig.analysis.steady import Hold, Window, mean_over, settled, steady_window, steps_of, window_in
from rig.analysis.supply import supply_resistance_ohm
from rig.analysis.temperatures import Warmed, warmed
from rig.stand.reference import CountScale
from rig.stand.turns import EdgeScale, Ints, mean_speed_rpm, whole_turns
from rig.vocabulary import State

Floats = NDArray[np.float64]

_NOT_AVERAGED = frozenset({"time_s"})
_COUNTED = ("edges", "edge_tick")
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
    run = _Run(frame, tachometer, reference)
    window = window or steady_window(frame)
    return run.figures(window) if window is not None else Figures(counts=run.counts)


def figures_by_step(
    frame: pd.DataFrame,
    tachometer: EdgeScale | None = None,
    reference: CountScale | None = None,
    window_s: tuple[float, float] | None = None,
) -> tuple[Figures, ...]:
    """The figures of each step of a run in order, at least one; the last is `figures_of`.

    A step's figures are those of a run that ended with it: charge, energy and `recorded_s` count
    from the begin of the recording to the step's end, and a temperature rises from the run's
    start to there. It has no peak, since the run went on. `voltage_rest_v` and `supply_ohm` are
    the run's, the same in each step. With `window_s` the window of each step is from and to, in s
    from the start of its own hold.
    """
    run = _Run(frame, tachometer, reference)
    *before, last = steps_of(frame)
    steps = [run.step(h, window_s, f"hold at {h.throttle_pct:g} %", until=h) for h in before]
    return (*steps, run.step(last, window_s, "last hold" if steps else ""))


class _Run:
    """One run, and what its steps share: each is computed once, when first asked for.

    `columns` has arrays: slices of a frame for every step and column would take most of the time.
    """

    def __init__(
        self, frame: pd.DataFrame, tachometer: EdgeScale | None, reference: CountScale | None
    ) -> None:
        self.tachometer, self.reference = tachometer, reference
        self.time_s = frame["time_s"].to_numpy(dtype=float)
        self.valid = frame["valid"].to_numpy(dtype=bool)
        self.physical = physical_columns(frame)
        counted = [name for name in _COUNTED if name in frame and is_integer_dtype(frame[name])]
        named = [reference.column] if reference and reference.column in frame else []
        kept = (*self.physical, *counted, *named)
        self.columns = {name: frame[name].to_numpy() for name in kept}
        driven = (frame["phase"] == State.RUNNING).to_numpy()
        invalid = int((driven & ~self.valid).sum())
        self.counts = {"lines": int(driven.sum()), "invalid": invalid}
        self.rest_v = cache(lambda: _rest_v(frame))
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
        rows = self._rows(window.start_s, window.end_s)
        valid = self.valid[rows]
        time_s = self.time_s[rows][valid]
        steady = {name: self.columns[name][rows][valid] for name in self.physical}
        means: dict[str, float] = {}
        errors: dict[str, float] = {}
        rising: list[str] = []
        for column, readings in steady.items():
            means[column], errors[column] = mean_over(window, time_s, readings)
            if column.endswith("_degc") and (warmth := self._warmth(column, until)) is not None:
                means[f"{column}_rate"] = _slope_per_min(time_s, readings)
                _add_warmth(means, errors, column, warmth)
                rising += [column] if warmth.still_rising else []
        if self.tachometer is not None and {"speed_rpm", *_COUNTED} <= self.columns.keys():
            counted = [self.columns[name][rows].astype(np.int64) for name in _COUNTED]
            readings = steady["speed_rpm"]
            speed = _speed_over(counted, valid, window, self.tachometer, time_s, readings)
            if speed is not None:
                means["speed_rpm"], errors["speed_rpm"] = speed
        if self.reference is not None and self.reference.column in self.columns:
            sums = self.columns[self.reference.column][rows][valid]
            counts_of_one = (sums + self.reference.zero) / self.reference.conversions
            means["reference_count"], errors["reference_count"] = mean_over(
                window, time_s, counts_of_one
            )
        _add_derived(means, errors, time_s, steady, window)
        rest_v = self.rest_v()
        if rest_v is not None:
            means["voltage_rest_v"] = rest_v
        self._add_totals(means, errors, until)
        sag = self.supply_ohm()
        if sag is not None:
            means["supply_ohm"], errors["supply_ohm"] = sag
        return Figures(window, means, errors, self.counts, tuple(rising))

    def _rows(self, from_s: float, to_s: float) -> slice:
        """The rows from one time to another, both included."""
        first = int(np.searchsorted(self.time_s, from_s))
        return slice(first, int(np.searchsorted(self.time_s, to_s, side="right")))

    def _warmth(self, column: str, until: Hold | None) -> Warmed | None:
        run = self.warmed(column)
        if run is None or until is None:
            return run
        return run.until(until.to_s)

    def _add_totals(
        self, means: dict[str, float], errors: dict[str, float], until: Hold | None
    ) -> None:
        """Charge and energy from the begin of the recording."""
        rows = slice(None) if until is None else self._rows(-math.inf, until.to_s)
        time_s = self.time_s[rows]
        bridged = []
        for column, name in (("current_a", "charge_ah"), ("power_w", "energy_wh")):
            if column in self.columns:
                total = integral(time_s, self.columns[column][rows], self.valid[rows])
                means[name], errors[name] = total.value / 3600.0, total.u / 3600.0
                bridged.append(100.0 * total.bridged)
        if bridged:
            means["recorded_s"] = float(time_s[-1] - time_s[0])
            means["bridged_pct"] = max(bridged)


def _speed_over(
    counted: Sequence[Ints],
    valid: NDArray[np.bool_],
    window: Window,
    tachometer: EdgeScale,
    time_s: Floats,
    readings: Floats,
) -> tuple[float, float] | None:
    """The mean speed and its standard error in rpm; None without one whole turn.

    `counted` has edges and their ticks of all rows, `time_s` and `readings` the valid rows only.
    The mean is turns over ticks, so its error is that of what each span has more or fewer
    turns than the mean speed gives it. What the window still has of a spin-up is taken from
    the readings.
    """
    edges, edge_tick = counted
    marks = tachometer.marks_per_turn
    mean = mean_speed_rpm(edges, edge_tick, valid, marks, tachometer.tick_hz)
    if not math.isfinite(mean):
        return None
    if window.settling_s is not None:
        level, error = mean_over(window, time_s, readings)
        return mean + level - float(np.nanmean(readings)), error
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


def _rest_v(frame: pd.DataFrame) -> float | None:
    """The voltage before the motor is driven; None where it was not, nan without a reading."""
    driven = (frame["phase"] == State.RUNNING).to_numpy()
    if "voltage_v" not in frame or not driven.any():
        return None
    resting = np.arange(len(frame)) < driven.argmax()
    return float(frame.loc[resting & frame["valid"].to_numpy(dtype=bool), "voltage_v"].mean())


def physical_columns(frame: pd.DataFrame) -> list[str]:
    """The columns that hold measured quantities, in the capture's order."""
    return [
        str(column)
        for column in frame.columns
        if str(column).endswith(_PHYSICAL_ENDINGS) and column not in _NOT_AVERAGED
    ]


def _slope_per_min(time_s: Floats, readings: Floats) -> float:
    known = ~np.isnan(readings)
    if known.sum() < 2:
        return math.nan
    away_s = time_s[known] - time_s[known].mean()
    return float(60.0 * (away_s * readings[known].astype(float)).sum() / (away_s * away_s).sum())


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


def _add_derived(
    means: dict[str, float],
    errors: dict[str, float],
    time_s: Floats,
    steady: Mapping[str, Floats],
    window: Window,
) -> None:
    """Ratios: their errors come from the residuals of the ratio, so that what numerator and
    denominator share does not count twice.
    """
    if {"speed_rpm", "voltage_v"} <= means.keys() and means["voltage_v"] > 0.0:
        ratio = means["rpm_per_v"] = means["speed_rpm"] / means["voltage_v"]
        _, rest = mean_over(window, time_s, steady["speed_rpm"] - ratio * steady["voltage_v"])
        errors["rpm_per_v"] = rest / means["voltage_v"]
    if {"torque_nm", "speed_rpm", "power_w"} <= steady.keys():
        shaft_w = steady["torque_nm"] * steady["speed_rpm"] * (np.pi / 30.0)
        means["shaft_w"], errors["shaft_w"] = mean_over(window, time_s, shaft_w)
        if means["power_w"] > 0.0:
            ratio = means["efficiency"] = means["shaft_w"] / means["power_w"]
            _, rest = mean_over(window, time_s, shaft_w - ratio * steady["power_w"])
            errors["efficiency"] = rest / means["power_w"]
