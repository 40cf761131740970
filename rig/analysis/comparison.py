"""Two or more setups compared with a baseline: what changed, how surely, and at what cost.

The run is the unit: one run is one observation of its setup, however many lines it has. A
quantity is compared over the runs that have it. What a change is and what its interval
contains stand in `rig.analysis.effects`; what is asked and answered in `rig.analysis.answers`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from rig.analysis import efficiency
from rig.analysis.answers import (
    Bound,
    Change,
    Comparison,
    Comparisons,
    Condition,
    EfficiencyChange,
    Interval,
    Question,
    Ratio,
    Trend,
)
from rig.analysis.conditions import conditions
from rig.analysis.contrasts import Contrast, Floats, Model, critical, family_critical, percent
from rig.analysis.effects import Critical, Effects, Estimate, Part, RunTable, stand_parts
from rig.analysis.estimates import OPERATING, estimates
from rig.analysis.order import (
    IN_TURN,
    ONE_AFTER_THE_OTHER,
    THERE_AND_BACK,
    UNKNOWN,
    Order,
)
from rig.analysis.powertrain import Alternative, vehicle_speed
from rig.analysis.rises import judged_rise
from rig.analysis.runs import Run
from rig.analysis.steps import other_steps, step_words
from rig.analysis.suspects import suspects
from rig.analysis.trend import levels_of, trend
from rig.analysis.usable import has, lacking, usable
from rig.analysis.verdict import Evidence, Stops, verdict
from rig.errors import SettingsError

RATIO_FROM_RUNS = 3
"""With two runs of a setup, a scatter that comes out small by chance makes a ratio look determined:
its intervals contain the truth in 90 % (by simulation)."""

_NO_CHANGE = ("_degc", "_start", "_end", "_peak", "_rate")
_SKIPPED = frozenset({"supply_ohm", "bridged_pct", "recorded_s"})
_TOTALS = ("charge_ah", "energy_wh")
_TRENDS = ("speed_rpm", "current_a", "power_w")
_SUSPECTS = ("speed_rpm", "current_a")

ORDER_WORDS = {
    IN_TURN: "The setups were run in turn: a drift over the day does not pass for a change.",
    THERE_AND_BACK: (
        "The setups were run there and back: intervals allow for any drift in one direction, not "
        "for one that goes up and down again."
    ),
    ONE_AFTER_THE_OTHER: (
        "The setups were run one after the other: a stand that warms up or a pack that empties "
        "may be behind a change. Run the setups in turn."
    ),
    UNKNOWN: "It is not known when the runs were made: a drift may be behind a change.",
}


def compare(
    runs: Sequence[Run],
    baseline: str,
    question: Question | None = None,
    left_out: Sequence[str] = (),
) -> Comparisons:
    """Compare every other setup in `runs` with `baseline`.

    Runs that were stopped or have no steady part are left out, with a warning each. `left_out`
    has the warnings about captures that are not among `runs`. Raises SettingsError where
    nothing is left to compare, or a bound asks for what was not measured.
    """
    question = question or Question()
    used, warnings = usable(runs, baseline, left_out)
    others = [s for s in dict.fromkeys(run.setup for run in used) if s != baseline]
    table = _Table(used, runs, baseline, others, question)
    table.refuse_unmeasured()
    warnings += [*other_steps(used), *lacking(used, table.quantities), *table.suspects()]
    variants = tuple(table.comparison(other) for other in others)
    return Comparisons(
        baseline,
        variants,
        tuple(warnings),
        table.drifts(),
        table.trends(),
        tuple(used),
        tuple(runs),
    )


class _Table:
    """All runs and all questions; answers are computed as they are asked for."""

    def __init__(
        self,
        runs: Sequence[Run],
        all_runs: Sequence[Run],
        baseline: str,
        others: list[str],
        question: Question,
    ) -> None:
        self.runs, self.all_runs = runs, all_runs
        self.baseline, self.others, self.question = baseline, others, question
        self.quantities = [
            name
            for name in dict.fromkeys(name for run in runs for name in run.figures)
            if name not in _SKIPPED and any(has(run, name) for run in runs)
        ]
        self.conditions = cache(self._conditions)
        self._table_of = cache(self._make_table)
        self._effects_of = cache(self._make_effects)

    # Tables of runs

    def _table(self, *names: str) -> RunTable | None:
        """The runs that have all of `names`; None where a setup that is compared has none."""
        rows = tuple(i for i, run in enumerate(self.runs) if all(has(run, n) for n in names))
        return self._table_of(rows)

    def _make_table(self, rows: tuple[int, ...]) -> RunTable | None:
        runs = tuple(self.runs[row] for row in rows)
        if self.baseline not in {run.setup for run in runs}:
            return None
        names = [n for n in self.quantities if n in self._compared and all(has(r, n) for r in runs)]
        columns = [
            [run.figures[name] if _in_kelvin(name) else math.log(run.figures[name]) for run in runs]
            for name in names
        ]
        if set(efficiency.NEEDED) <= set(names):
            names.append(efficiency.INDEX)
            columns.append([efficiency.index(r, self.question.density_kg_m3) for r in runs])
        return RunTable(runs, tuple(names), np.array(columns).T.reshape(len(runs), -1))

    @property
    def _compared(self) -> set[str]:
        """The quantities with a change: a temperature in degrees Celsius has no percent, since
        its zero is arbitrary, and what is not positive has no logarithm."""
        return {
            name
            for name in self.quantities
            if not name.endswith(_NO_CHANGE)
            and (
                _in_kelvin(name)
                or all(run.figures[name] > 0.0 for run in self.runs if has(run, name))
            )
        }

    # Effects

    def _effects(self, other: str, *names: str) -> Effects | None:
        """The changes of the runs that have all of `names`; None where a setup has no such run."""
        table = self._table(*names)
        if table is None or other not in table.setups or not set(names) <= set(table.names):
            return None
        return self._effects_of(table, other)

    def _make_effects(self, table: RunTable, other: str) -> Effects:
        def compared(of: RunTable) -> tuple[Contrast, ...]:
            return of.contrasts(self.baseline, other)

        effects = Effects(table, compared, self._critical(table))
        parts = [*stand_parts(table, effects.weights, _is_log), *self._condition_parts(other)]
        parts = [efficiency.with_index(part) for part in parts]
        if efficiency.INDEX in table.names:
            pair = _of(table.runs, self.baseline, other)
            parts += efficiency.own_parts(effects, pair, self.baseline, other, self.question)
        return replace(effects, parts=parts)

    def _condition_parts(self, other: str) -> list[Part]:
        return [Part(c.name, c.effects) for c in self.conditions(other) if c.effects]

    def _conditions(self, other: str) -> tuple[Condition, ...]:
        return conditions(self.runs, self.baseline, other, self.question.density_kg_m3)

    def _critical(self, table: RunTable) -> Critical:
        """For all variants at once where there are several."""
        others = [other for other in self.others if other in table.setups]
        if len(others) < 2:
            return critical
        weights = np.array([table.contrasts(self.baseline, o)[0].weights for o in others])
        shared = weights @ weights.T
        length = np.sqrt(np.diag(shared))
        correlation = shared / np.outer(length, length)
        return lambda df: family_critical(correlation, df)

    # Answers

    def comparison(self, other: str) -> Comparison:
        """All about one variant."""
        changes = tuple(
            change for name in self.quantities if (change := self._change(name, other)) is not None
        )
        by_name = {change.quantity: change for change in changes}
        speed, current = by_name.get("speed_rpm"), by_name.get("current_a")
        found = self._efficiency(other)
        order = self._order(other)
        bounds = [(bound, self._cost(bound, by_name, found)) for bound in self.question.bounds]
        evidence = Evidence(
            self.baseline, other, speed, bounds, current, found, order,
            self.conditions(other), self._stops(other),
        )  # fmt: skip
        return Comparison(
            self.baseline,
            other,
            changes,
            self._per_speed("current_a", other),
            self._per_speed("power_w", other),
            found,
            verdict(evidence, self.question.worth_pct),
            self.conditions(other),
            self._estimates(speed),
            order=ORDER_WORDS[order.kind],
            vehicle_speed=self._vehicle_speed(speed),
            step=step_words(_of(self.runs, self.baseline, other)),
        )

    def _order(self, other: str) -> Order:
        table = self._table("speed_rpm") or self._table()
        assert table is not None
        return table.order(self.baseline, other)

    def _change(self, quantity: str, other: str) -> Change | None:
        before, after = (
            np.array([r.figures[quantity] for r in self.runs if r.setup == s and has(r, quantity)])
            for s in (self.baseline, other)
        )
        if not len(before) or not len(after):
            return None
        plain = Change(
            quantity, float(before.mean()), float(after.mean()), _spread(before), _spread(after),
            (len(before), len(after)), "K" if _in_kelvin(quantity) else "%",
            note=_note(quantity, _of(self.runs, self.baseline, other)),
        )  # fmt: skip
        effects = self._effects(other, quantity)
        if effects is None:
            celsius = quantity.endswith(_NO_CHANGE)
            return replace(plain, why="" if celsius else "not positive in every run: no percent")
        found = _answered(plain, effects.estimate(quantity))
        if not _in_kelvin(quantity):
            return found
        return judged_rise(found, _of(self.runs, self.baseline), _of(self.runs, other))

    def _per_speed(self, quantity: str, other: str) -> Ratio:
        effects = self._effects(other, quantity, "speed_rpm")
        if effects is None:
            return Ratio(
                None, None, "speed or the quantity was not measured in runs of both setups"
            )
        value, interval = effects.ratio(quantity, "speed_rpm")
        counts = [effects.table.setups.count(setup) for setup in (self.baseline, other)]
        if min(counts) < RATIO_FROM_RUNS:
            return Ratio(value, None, f"it takes {RATIO_FROM_RUNS} runs of each setup")
        if interval is None:
            return Ratio(None, None, "the change of speed is within the scatter")
        return Ratio(value, interval)

    def _efficiency(self, other: str) -> EfficiencyChange:
        measured = self._change("efficiency", other) if "efficiency" in self.quantities else None
        torque = (measured.change, measured.ci95) if measured is not None else (None, None)
        effects = self._effects(other, *efficiency.NEEDED)
        if effects is None:
            reason = "speed or power was not measured, or not positive, in runs of both setups"
            return EfficiencyChange(
                withheld=reason, measured_pct=torque[0], measured_ci95=torque[1]
            )
        pair = _of(self.runs, self.baseline, other)
        reason = efficiency.why_withheld(effects, pair, self.baseline, other, self.question)
        if reason:
            return EfficiencyChange(
                withheld=reason, measured_pct=torque[0], measured_ci95=torque[1]
            )
        found = effects.estimate(efficiency.INDEX)
        return EfficiencyChange(
            percent(found.value),
            found.interval and (percent(found.interval[0]), percent(found.interval[1])),
            measured_pct=torque[0],
            measured_ci95=torque[1],
        )

    def _cost(
        self, bound: Bound, changes: dict[str, Change], found: EfficiencyChange
    ) -> Change | None:
        """The change that a bound is about; of an efficiency, its loss."""
        if bound.quantity != "efficiency":
            return changes.get(bound.quantity)
        value, interval = found.measured_pct, found.measured_ci95
        if value is None:
            value, interval = found.value, found.ci95
        loss = interval and (-interval[1], -interval[0])
        blank = Change("loss of efficiency", math.nan, math.nan, None, None, (0, 0))
        return None if value is None else replace(blank, change=-value, ci95=loss)

    def _stops(self, other: str) -> Stops:
        """Of all runs, those that were left out too."""
        sides = [[r for r in self.all_runs if r.setup == s] for s in (self.baseline, other)]
        before, after = ({alarm for run in side for alarm in run.alarms} for side in sides)
        counts = tuple((sum(r.outcome == "tripped" for r in side), len(side)) for side in sides)
        words = sorted(f"{severity} of {quantity}" for severity, quantity in after - before)
        return Stops((counts[0], counts[1]), tuple(words))

    def _vehicle_speed(self, speed: Change | None) -> float | None:
        if self.question.gear is None or speed is None or speed.change is None:
            return None
        return vehicle_speed(100.0, speed.change)

    def _estimates(self, speed: Change | None) -> tuple[Alternative, ...]:
        """Other ways to the speed that this change gave, from where the baseline runs."""
        if speed is None or speed.change is None or not set(OPERATING) <= self._compared:
            return ()
        runs = [r for r in _of(self.runs, self.baseline) if all(has(r, n) for n in OPERATING)]
        return estimates(runs, speed.change, self.question)

    # All setups at once

    def drifts(self) -> dict[str, tuple[float, Interval]]:
        """How far each quantity drifted from the first run to the last, in percent."""
        table = self._table()
        assert table is not None
        if not self._drifts_in(table):
            return {}
        drift = Model(table.setups, table.values, table.time_s).drift()
        result = {}
        for index, quantity in enumerate(table.names):
            if quantity == efficiency.INDEX or _in_kelvin(quantity) or not drift.df[index] > 0.0:
                continue
            value = float(drift.estimates[index])
            error = math.sqrt(drift.covariance[index, index])
            reach = critical(float(drift.df[index])) * error
            result[quantity] = (percent(value), (percent(value - reach), percent(value + reach)))
        return result

    def trends(self) -> tuple[Trend, ...]:
        """The change of the main quantities per unit, where the setups are levels of a number.

        Under the model of the changes: scatter by setup, drift, and the stand's components.
        """
        levels = levels_of([run.setup for run in self.runs])
        if not levels:
            return ()
        return tuple(
            trend(table, levels, quantity, log=_is_log)
            for quantity in _TRENDS
            if (table := self._table(quantity)) is not None and quantity in table.names
            if levels_of(table.setups)
        )

    # Warnings

    def refuse_unmeasured(self) -> None:
        """Raise SettingsError for a bound on what no run has."""
        for bound in self.question.bounds:
            if bound.quantity != "efficiency" and bound.quantity not in self.quantities:
                raise SettingsError(
                    f"no run has {bound.quantity!r}, which a bound is stated for",
                    where="--cost",
                    to_do=f"Measured are: {', '.join(self.quantities)}.",
                )

    def suspects(self) -> list[str]:
        """Runs that stand out in what is watched."""
        tables = [
            (quantity, table, self._drifts_in(table))
            for quantity in _SUSPECTS
            if (table := self._table(quantity)) is not None and quantity in table.names
        ]
        return suspects(tables)

    def _drifts_in(self, table: RunTable) -> bool:
        others = [other for other in self.others if other in table.setups]
        return any(table.order(self.baseline, other).takes_out_drift for other in others)


def _of(runs: Sequence[Run], *setups: str) -> list[Run]:
    return [run for run in runs if run.setup in setups]


def _note(quantity: str, runs: Sequence[Run]) -> str:
    """What else must be said of a quantity that counts from the begin of the run."""
    until_step = any(run.step < len(run.steps) for run in runs)
    counts = quantity in _TOTALS or _in_kelvin(quantity)
    return "by the end of the step" if until_step and counts else ""


def _in_kelvin(quantity: str) -> bool:
    return quantity.endswith("_rise")


def _is_log(quantity: str) -> bool:
    return not _in_kelvin(quantity)


def _answered(change: Change, found: Estimate) -> Change:
    """`change` with what was found of it; its unit is known."""
    percent = change.unit == "%"
    scale = 100.0 if percent else 1.0
    return replace(
        change,
        change=_in(change.unit, found.value),
        ci95=found.interval
        and (_in(change.unit, found.interval[0]), _in(change.unit, found.interval[1])),
        scatter=scale * found.scatter if math.isfinite(found.scatter) else None,
        known=scale * found.known,
        sources={name: scale * abs(part) for name, part in found.sources.items()},
        detectable=None if found.detectable is None else scale * found.detectable,
        why="" if found.interval else "one run of a setup: its scatter is not known",
    )


def _in(unit: str, value: float) -> float:
    """A logarithm in percent; K as they are."""
    return percent(value) if unit == "%" else value


def _spread(values: Floats) -> float | None:
    return float(values.std(ddof=1)) if len(values) > 1 else None
