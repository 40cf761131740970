"""Two or more setups against a baseline: what changed, how surely, and at what cost.

The run is the unit: one run is one observation of its setup, however many lines it has.
Percent changes are differences of logarithms (`rig.analysis.contrasts`); what the stand's own
components may be wrong by is added where it does not cancel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.analysis.answers import (
    Change,
    Comparison,
    Comparisons,
    EfficiencyChange,
    Interval,
    Question,
    Ratio,
)
from rig.analysis.conditions import conditions
from rig.analysis.contrasts import (
    Contrast,
    Model,
    can_take_out_drift,
    critical,
    family_critical,
)
from rig.analysis.inference import fieller, grubbs
from rig.analysis.powertrain import Alternative, Point, alternatives, motor_at, vehicle_speed
from rig.analysis.rises import rise_in_kelvin
from rig.analysis.runs import Run
from rig.analysis.trend import Trend, levels_of, trend
from rig.analysis.verdict import verdict
from rig.errors import SettingsError
from rig.stand.quantities import is_column, label_of

Floats = NDArray[np.float64]

SMALL_CHANGE_PCT = 20.0
"""Up to this change of speed the affinity laws are relied on. Ours, no source."""

SAME_ROTOR_PCT = 15.0
"""An efficiency by the affinity laws that changes by more is no motor's: the rotor is another.
Ours, no source."""

SAME_AIR_K = 5.0
"""Where the air is not given, stands whose coldest sensors begin further apart than this had
other air: 1 K is 0.34 % of its density. Ours, no source."""

COMPARED = ("done", "imported")
"""The outcomes of runs that are compared. Nobody watched an imported log; it is usable where
it has a steady part while the board was armed, or at all on a board that only talks."""

_NO_PERCENT = ("_degc", "_start", "_end", "_peak", "_rate")
_SKIPPED = frozenset({"supply_ohm", "bridged_pct", "recorded_s"})
_INDEX = "efficiency index"


def compare(
    runs: Sequence[Run],
    baseline: str,
    question: Question | None = None,
    left_out: Sequence[str] = (),
) -> Comparisons:
    """Compare every other setup in `runs` with `baseline`.

    Runs that were tripped or have no steady part are left out, with a warning each. `left_out`
    has the warnings about captures that are not among `runs`. Raises SettingsError where
    nothing is left to compare.
    """
    question = question or Question()
    used, warnings = _usable(runs, baseline, left_out)
    setups = list(dict.fromkeys(run.setup for run in used))
    others = [setup for setup in setups if setup != baseline]
    table = _Table(used, baseline, others, question)
    warnings += table.warnings
    variants = tuple(table.comparison(other) for other in others)
    return Comparisons(
        baseline,
        variants,
        tuple(warnings),
        table.drift_words,
        table.drifts(),
        table.trends(),
        tuple(used),
        tuple(runs),
    )


def _usable(
    runs: Sequence[Run], baseline: str, left_out: Sequence[str]
) -> tuple[list[Run], list[str]]:
    setups = list(dict.fromkeys(run.setup for run in runs))
    if baseline not in setups:
        found = f"The setups found are: {', '.join(map(repr, setups)) or 'none'}."
        raise SettingsError(
            f"no run has the setup {baseline!r}",
            where="--baseline",
            to_do="\n  ".join([found, *left_out]),
        )
    used: list[Run] = []
    warnings = list(left_out)
    for run in runs:
        if run.outcome not in COMPARED:
            warnings.append(f"{run.name} is left out: it ended as {run.outcome!r}")
        elif run.left_out:
            warnings.append(f"{run.name} is left out: {run.left_out}")
        elif not run.figures:
            warnings.append(f"{run.name} is left out: it has no steady part")
        elif not any(math.isfinite(value) for value in run.figures.values()):
            warnings.append(f"{run.name} is left out: none of its readings is valid")
        else:
            used.append(run)
    for setup in setups:
        count = sum(run.setup == setup for run in used)
        if count == 0:
            warnings.append(f"setup {setup!r} has no run that can be used")
        if count == 1:
            warnings.append(
                f"setup {setup!r} has one run: its scatter is not known, and so no interval is"
            )
    kept = {run.setup for run in used}
    if baseline not in kept or len(kept) < 2:
        raise SettingsError(
            "a comparison needs usable runs of the baseline and of one more setup",
            to_do="\n  ".join(warnings) or "Record runs of a second setup with --setup.",
        )
    stands = sorted({run.stand_name for run in used})
    if len(stands) > 1:
        raise SettingsError(
            f"the runs come from different stands: {', '.join(map(repr, stands))}",
            where="captures",
            to_do="Compare runs of one stand: what two stands read wrong does not cancel.",
        )
    return used, warnings


class _Table:
    """The runs' logarithms under one model, from which every answer is taken."""

    def __init__(
        self, runs: list[Run], baseline: str, others: list[str], question: Question
    ) -> None:
        self.runs, self.baseline, self.others, self.question = runs, baseline, others, question
        self.warnings: list[str] = []
        self.setups = tuple(run.setup for run in runs)
        shared = [
            quantity
            for quantity in runs[0].figures
            if quantity not in _SKIPPED
            and all(math.isfinite(run.figures.get(quantity, math.nan)) for run in runs)
        ]
        self.quantities = shared
        self.warnings += _lacking(runs)
        self.logged = [
            quantity
            for quantity in shared
            if not quantity.endswith(_NO_PERCENT)
            and all(run.figures[quantity] > 0.0 for run in runs)
        ]
        self.time_s = self._time_s()
        columns = [[math.log(run.figures[quantity]) for run in runs] for quantity in self.logged]
        if {"speed_rpm", "power_w"} <= set(self.logged):
            self.logged.append(_INDEX)
            columns.append([self._efficiency_index(run) for run in runs])
        self.model = Model(self.setups, np.array(columns).T.reshape(len(runs), -1), self.time_s)
        self.contrasts = {other: self.model.contrast(baseline, other) for other in others}
        self._criticals: dict[int, float] = {}
        self._known: dict[str, dict[str, Any]] = {}
        self._point_out_suspects()

    # Drift

    def _time_s(self) -> Floats | None:
        time_s = np.array([run.began_s for run in self.runs], dtype=float)
        apart = all(
            can_take_out_drift(self.setups, time_s, self.baseline, other) for other in self.others
        )
        if apart and np.isfinite(time_s).all():
            self.drift_words = "The setups were run in turn, so a drift over the day is taken out."
            return time_s
        self.drift_words = (
            "Drift and setup cannot be told apart in this order of runs: a stand that warms up or "
            "a pack that empties may stand behind a change. Run the setups in turn, at least "
            "three times each."
        )
        return None

    def drifts(self) -> dict[str, tuple[float, Interval]]:
        """How far each quantity drifted from the first run to the last, in percent."""
        if self.time_s is None:
            return {}
        drift = self.model.drift()
        result = {}
        for index, quantity in enumerate(self.logged):
            value, error = float(drift.estimates[index]), _error(drift, index)
            if quantity != _INDEX and drift.df[index] > 0.0:
                reach = critical(float(drift.df[index])) * error
                result[quantity] = (_pct(value), (_pct(value - reach), _pct(value + reach)))
        return result

    def trends(self) -> tuple[Trend, ...]:
        """The change of the main quantities per unit, where the setups are levels."""
        levels = levels_of(self.setups)
        if not levels:
            return ()
        return tuple(
            trend(
                quantity,
                [levels[setup] for setup in self.setups],
                [run.figures[quantity] for run in self.runs],
            )
            for quantity in ("speed_rpm", "current_a", "power_w")
            if quantity in self.logged
        )

    # Answers

    def comparison(self, other: str) -> Comparison:
        """All about one variant."""
        changes = tuple(self._change(quantity, other) for quantity in self.quantities)
        efficiency = self._efficiency(other)
        by_name = {change.quantity: change for change in changes}
        judged = verdict(by_name.get("speed_rpm"), efficiency, self.question.worth_pct)
        return Comparison(
            self.baseline,
            other,
            changes,
            self._per_speed("current_a", other),
            self._per_speed("power_w", other),
            efficiency,
            judged,
            conditions(self._of(self.baseline), self._of(other)),
            self._alternatives(by_name.get("speed_rpm")),
            self._vehicle_speed(by_name.get("speed_rpm")),
        )

    def _vehicle_speed(self, speed: Change | None) -> float | None:
        if self.question.gear is None or speed is None or speed.change_pct is None:
            return None
        return vehicle_speed(100.0, speed.change_pct)

    def _alternatives(self, speed: Change | None) -> tuple[Alternative, ...]:
        """Other ways to the speed that this change gave, from where the baseline runs."""
        runs = self._of(self.baseline)
        needed = {"speed_rpm", "current_a", "power_w"}
        if speed is None or speed.change_pct is None or not needed <= set(self.logged):
            return ()
        means = {
            quantity: float(np.mean([run.figures[quantity] for run in runs])) for quantity in needed
        }
        point = Point(means["speed_rpm"], means["power_w"] / means["current_a"], means["current_a"])
        throttle = runs[0].throttle[-1][0] / 100.0 if runs[0].throttle else 1.0
        kv = self.question.kv_rpm_per_v
        return tuple(
            alternatives(
                motor_at(point, kv_rpm_per_v=kv, throttle=throttle),
                point,
                wanted_pct=speed.change_pct,
                gear=self.question.gear,
                cells=runs[0].cells,
                limits=runs[0].limits,
            )
        )

    def _change(self, quantity: str, other: str) -> Change:
        before = np.array([run.figures[quantity] for run in self._of(self.baseline)])
        after = np.array([run.figures[quantity] for run in self._of(other)])
        plain = Change(
            quantity,
            float(before.mean()),
            float(after.mean()),
            _spread(before),
            _spread(after),
            (len(before), len(after)),
        )
        if quantity.endswith("_rise"):
            sides = self._measured(self.baseline), self._measured(other)
            plain = rise_in_kelvin(plain, self._of(self.baseline), self._of(other), sides)
            if plain.why:
                return plain
        if quantity not in self.logged:
            # A temperature in degrees Celsius has no percent: its zero is arbitrary.
            celsius = quantity.endswith(_NO_PERCENT)
            return replace(plain, why="" if celsius else "not positive in every run: no percent")
        index = self.logged.index(quantity)
        contrast = self.contrasts[other]
        value = float(contrast.estimates[index])
        sources = self._stand_errors(quantity, other)
        stand = math.hypot(*sources.values())
        interval = self._interval(contrast, index, stand)
        scatter = _error(contrast, index)
        return replace(
            plain,
            change_pct=_pct(value),
            ci95_pct=interval and (_pct(interval[0]), _pct(interval[1])),
            scatter_pct=100.0 * scatter if math.isfinite(scatter) else None,
            stand_pct=100.0 * stand,
            sources={name: 100.0 * share for name, share in sources.items()},
            why="" if interval else "one run of a setup: its scatter is not known",
        )

    def _per_speed(self, quantity: str, other: str) -> Ratio:
        if quantity not in self.logged or "speed_rpm" not in self.logged:
            return Ratio(None, None, "speed or the quantity was not measured in every run")
        contrast = self.contrasts[other]
        pair = [self.logged.index(quantity), self.logged.index("speed_rpm")]
        over, under = (math.expm1(contrast.estimates[index]) for index in pair)
        value = over / under if under else None
        df = float(contrast.df[pair].min())
        if df <= 0.0:
            return Ratio(value, None, "one run of a setup: its scatter is not known")
        # From logarithms to fractions, by the slope of the exponential.
        slope = np.array([1.0 + over, 1.0 + under])
        spread = contrast.covariance[np.ix_(pair, pair)] * np.outer(slope, slope)
        interval = fieller(over, under, spread.tolist(), self._critical(df))
        if interval is None:
            return Ratio(None, None, "the change of speed is within the scatter")
        return Ratio(value, interval)

    def _efficiency(self, other: str) -> EfficiencyChange:
        measured_pct = measured_ci = None
        if "efficiency" in self.logged:
            change = self._change("efficiency", other)
            measured_pct, measured_ci = change.change_pct, change.ci95_pct
        reason = self._why_no_efficiency(other)
        if reason:
            return EfficiencyChange(
                withheld=reason, measured_pct=measured_pct, measured_ci95=measured_ci
            )
        index, contrast = self.logged.index(_INDEX), self.contrasts[other]
        stand = math.hypot(*self._stand_errors(_INDEX, other).values())
        interval = self._interval(contrast, index, stand)
        return EfficiencyChange(
            _pct(float(contrast.estimates[index])),
            interval and (_pct(interval[0]), _pct(interval[1])),
            measured_pct=measured_pct,
            measured_ci95=measured_ci,
        )

    def _why_no_efficiency(self, other: str) -> str:
        density = self.question.density_kg_m3
        if self.question.other_rotor:
            return "another fan or propeller: its power at a speed is not the old one's"
        if _INDEX not in self.logged:
            return "speed or power was not measured, or not positive, in every run"
        speed_pct = _pct(float(self.contrasts[other].estimates[self.logged.index("speed_rpm")]))
        if abs(speed_pct) > SMALL_CHANGE_PCT:
            return (
                f"speed changed by {speed_pct:+.0f} %: the affinity laws are relied on up to "
                f"{SMALL_CHANGE_PCT:g} %"
            )
        if not {self.baseline, other} <= density.keys():
            if {self.baseline, other} & density.keys():
                return "the air is given for one of the two setups only"
            before, after = (
                np.mean([run.coldest_start_degc for run in self._of(setup)])
                for setup in (self.baseline, other)
            )
            if abs(after - before) > SAME_AIR_K:
                return (
                    f"the stand began {after - before:+.1f} K apart and the air is not given: "
                    "its density may differ"
                )
        index_pct = _pct(float(self.contrasts[other].estimates[self.logged.index(_INDEX)]))
        if abs(index_pct) > SAME_ROTOR_PCT:
            return (
                f"power at the cube of speed would say {index_pct:+.0f} %, more than a motor's "
                "efficiency changes by: these look like two different rotors"
            )
        return ""

    # Parts

    def _of(self, setup: str) -> list[Run]:
        return [run for run in self.runs if run.setup == setup]

    def _efficiency_index(self, run: Run) -> float:
        """The logarithm of density times speed cubed over power."""
        density = self.question.density_kg_m3.get(run.setup, 1.0)
        figures = run.figures
        return (
            3.0 * math.log(figures["speed_rpm"]) - math.log(figures["power_w"]) + math.log(density)
        )

    def _stand_errors(self, quantity: str, other: str) -> dict[str, float]:
        """What each of the stand's components adds to the logarithm of the ratio.

        Standard uncertainties, by component. A gain error that both setups share adds nothing.
        """
        before, after = self._measured(self.baseline), self._measured(other)
        try:
            if quantity == _INDEX:
                ratio = (after["speed_rpm"] / before["speed_rpm"]) ** 3 * (
                    before["power_w"] / after["power_w"]
                )
            else:
                ratio = after[quantity] / before[quantity]
        except KeyError:
            return {}
        shares: dict[str, float] = {}
        for variable, part in getattr(ratio, "error_components", dict)().items():
            name = variable.tag or "other"
            shares[name] = math.hypot(shares.get(name, 0.0), part / ratio.nominal_value)
        return shares

    def _measured(self, setup: str) -> dict[str, Any]:
        """The setup's means with their uncertainty."""
        if setup in self._known:
            return self._known[setup]
        runs = self._of(setup)
        sums: dict[str, Any] = {}
        for run in runs:
            for quantity, value in run.measured().items():
                sums[quantity] = sums.get(quantity, 0.0) + value / len(runs)
        self._known[setup] = sums
        return sums

    def _interval(self, contrast: Contrast, index: int, stand: float) -> Interval | None:
        value, error, df = (
            float(contrast.estimates[index]),
            _error(contrast, index),
            float(contrast.df[index]),
        )
        if df <= 0.0:
            return None
        combined = math.hypot(error, stand)
        # Welch and Satterthwaite again: what the stand adds is known for good.
        df = df * (combined / error) ** 4 if error > 0.0 else math.inf
        reach = self._critical(df) * combined
        return value - reach, value + reach

    def _critical(self, df: float) -> float:
        """For all variants at once where there are several."""
        df = min(df, 1e6)
        if len(self.others) == 1:
            return critical(df)
        whole = max(int(df), 1)
        if whole not in self._criticals:
            weights = np.array([self.contrasts[other].weights for other in self.others])
            shared = weights @ weights.T
            length = np.sqrt(np.diag(shared))
            self._criticals[whole] = family_critical(shared / np.outer(length, length), whole)
        return self._criticals[whole]

    def _point_out_suspects(self) -> None:
        rest = self.model.residuals()
        for setup in dict.fromkeys(self.setups):
            rows = [row for row, run in enumerate(self.runs) if run.setup == setup]
            for quantity in ("speed_rpm", "current_a"):
                if quantity not in self.logged:
                    continue
                found = grubbs(rest[rows, self.logged.index(quantity)].tolist())
                if found is not None:
                    self.warnings.append(
                        f"{self.runs[rows[found]].name} stands out in {quantity} among the runs "
                        f"of {setup!r} (Grubbs' test at 5 %); it is kept: look at it"
                    )


def _lacking(runs: list[Run]) -> list[str]:
    """The measured quantities that some of the runs lack."""
    found = []
    for column in dict.fromkeys(name for run in runs for name in run.figures if is_column(name)):
        without = [run.name for run in runs if not math.isfinite(run.figures.get(column, math.nan))]
        if 0 < len(without) < len(runs):
            found.append(f"{label_of(column)} is not compared: not in {', '.join(without)}")
    return found


def _error(contrast: Contrast, index: int) -> float:
    return float(math.sqrt(contrast.covariance[index, index]))


def _pct(logarithm: float) -> float:
    return 100.0 * math.expm1(logarithm)


def _spread(values: Floats) -> float | None:
    return float(values.std(ddof=1)) if len(values) > 1 else None
