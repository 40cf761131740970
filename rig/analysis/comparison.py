"""Two or more setups compared with a baseline: what changed, how surely, and at what cost.

The run is the unit: one run is one observation of its setup, however many lines it has. A
quantity is compared over the runs that have it. What a change is and what its interval
contains stand in `rig.analysis.effects`; what is asked and answered in `rig.analysis.answers`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from rig.analysis import efficiency
from rig.analysis.answers import (
    Bound,
    Change,
    Comparison,
    Comparisons,
    EfficiencyChange,
    Interval,
    Question,
    Trend,
)
from rig.analysis.changes import change_of, efficiency_of, per_speed
from rig.analysis.contrasts import CONFIDENCE, Model, critical, percent
from rig.analysis.curves import CurveComparison, CurveQuestion, compare_curves
from rig.analysis.estimates import OPERATING, estimates
from rig.analysis.order import (
    IN_TURN,
    ONE_AFTER_THE_OTHER,
    THERE_AND_BACK,
    UNKNOWN,
    Order,
)
from rig.analysis.powertrain import Alternative, vehicle_speed
from rig.analysis.runs import Run
from rig.analysis.steps import other_steps, over_steps, step_words
from rig.analysis.suspects import suspects
from rig.analysis.tables import Tables, in_kelvin, is_log
from rig.analysis.trend import levels_of, trend
from rig.analysis.usable import has, lacking, usable
from rig.analysis.verdict import Evidence, Stops, verdict
from rig.errors import SettingsError
from rig.vocabulary import RunOutcome

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
    tables = Tables(used, baseline, others, question)
    _refuse_unmeasured(tables)
    warnings += [*other_steps(used), *lacking(used, tables.quantities), *_suspects(tables)]
    return Comparisons(
        baseline,
        tuple(_comparison(tables, other, runs) for other in others),
        tuple(warnings),
        _drifts(tables),
        _trends(tables),
        tuple(used),
        tuple(runs),
    )


def _refuse_unmeasured(tables: Tables) -> None:
    """Raise SettingsError for a bound on what no run has."""
    for bound in tables.question.bounds:
        if bound.quantity != "efficiency" and bound.quantity not in tables.quantities:
            raise SettingsError(
                f"no run has {bound.quantity!r}, which a bound is stated for",
                where="--cost",
                to_do=f"Measured are: {', '.join(tables.quantities)}.",
            )


# One variant


def _comparison(tables: Tables, other: str, all_runs: Sequence[Run]) -> Comparison:
    """All about one variant; `all_runs` has those that were left out too."""
    found = (change_of(tables, name, other) for name in tables.quantities)
    changes = {change.quantity: change for change in found if change is not None}
    speed = changes.get("speed_rpm")
    eta = efficiency_of(tables, other)
    order = _order(tables, other)
    bounds = tables.question.bounds
    evidence = Evidence(
        tables.baseline, other, speed,
        [(bound, _cost(bound, changes, eta)) for bound in bounds],
        changes.get("current_a"), eta, order, tables.conditions(other),
        _stops(all_runs, tables.baseline, other),
    )  # fmt: skip
    return Comparison(
        tables.baseline,
        other,
        tuple(changes.values()),
        per_speed(tables, "current_a", other),
        per_speed(tables, "power_w", other),
        eta,
        verdict(evidence, tables.question.worth_pct),
        tables.conditions(other),
        _estimates(tables, speed),
        order=ORDER_WORDS[order.kind],
        vehicle_speed=_vehicle_speed(tables.question, speed),
        step=step_words(tables.of(tables.baseline, other)),
        at_equal_speed=_at_equal_speed(tables, other),
    )


def _at_equal_speed(tables: Tables, other: str) -> CurveComparison | None:
    """The runs over all their steps; with several variants, for all of them at once."""
    stepped = [over_steps(run) for run in tables.runs if len(run.steps) > 1]
    if {tables.baseline, other} - {each.run.setup for each in stepped}:
        return None
    asked = tables.question
    chance = (1.0 - CONFIDENCE) / len(tables.others)
    question = CurveQuestion(asked.density_kg_m3, asked.other_rotor, asked.use, 1.0 - chance)
    return compare_curves(stepped, tables.baseline, other, question)


def _order(tables: Tables, other: str) -> Order:
    table = tables.table("speed_rpm") or tables.table()
    assert table is not None
    return table.order(tables.baseline, other)


def _cost(bound: Bound, changes: Mapping[str, Change], found: EfficiencyChange) -> Change | None:
    """The change that a bound is about; of an efficiency, its loss."""
    if bound.quantity != "efficiency":
        return changes.get(bound.quantity)
    value, interval = found.measured_pct, found.measured_ci95
    if value is None:
        value, interval = found.value, found.ci95
    loss = interval and (-interval[1], -interval[0])
    blank = Change("loss of efficiency", math.nan, math.nan, None, None, (0, 0))
    return None if value is None else replace(blank, change=-value, ci95=loss)


def _stops(all_runs: Sequence[Run], baseline: str, other: str) -> Stops:
    """Of all runs, those that were left out too."""
    sides = [[run for run in all_runs if run.setup == setup] for setup in (baseline, other)]
    before, after = ({alarm for run in side for alarm in run.alarms} for side in sides)
    counts = tuple(
        (sum(r.outcome == RunOutcome.TRIPPED for r in side), len(side)) for side in sides
    )
    words = sorted(f"{severity} of {quantity}" for severity, quantity in after - before)
    return Stops((counts[0], counts[1]), tuple(words))


def _vehicle_speed(question: Question, speed: Change | None) -> float | None:
    if question.gear is None or speed is None or speed.change is None:
        return None
    return vehicle_speed(100.0, speed.change)


def _estimates(tables: Tables, speed: Change | None) -> tuple[Alternative, ...]:
    """Other ways to the speed that this change gave, from where the baseline runs."""
    if speed is None or speed.change is None or not set(OPERATING) <= tables.compared:
        return ()
    runs = [r for r in tables.of(tables.baseline) if all(has(r, n) for n in OPERATING)]
    return estimates(runs, speed.change, tables.question)


# All setups at once


def _drifts(tables: Tables) -> dict[str, tuple[float, Interval]]:
    """How far each quantity drifted from the first run to the last, in percent."""
    table = tables.table()
    assert table is not None
    if not tables.drifts_in(table):
        return {}
    drift = Model(table.setups, table.values, table.time_s).drift()
    result = {}
    for index, quantity in enumerate(table.names):
        if quantity == efficiency.INDEX or in_kelvin(quantity) or not drift.df[index] > 0.0:
            continue
        value = float(drift.estimates[index])
        error = math.sqrt(drift.covariance[index, index])
        reach = critical(float(drift.df[index])) * error
        result[quantity] = (percent(value), (percent(value - reach), percent(value + reach)))
    return result


def _trends(tables: Tables) -> tuple[Trend, ...]:
    """The change of the main quantities per unit, where the setups are levels of a number.

    Under the model of the changes: scatter by setup, drift, and the stand's components.
    """
    levels = levels_of([run.setup for run in tables.runs])
    if not levels:
        return ()
    return tuple(
        trend(table, levels, quantity, log=is_log)
        for quantity in _TRENDS
        if (table := tables.table(quantity)) is not None and quantity in table.names
        if levels_of(table.setups)
    )


def _suspects(tables: Tables) -> list[str]:
    """Runs that stand out in what is watched."""
    return suspects(
        [
            (quantity, table, tables.drifts_in(table))
            for quantity in _SUSPECTS
            if (table := tables.table(quantity)) is not None and quantity in table.names
        ]
    )
