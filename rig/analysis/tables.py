"""The runs of a comparison as tables of numbers, and the effects in them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from rig.analysis import efficiency
from rig.analysis.answers import Condition, Question
from rig.analysis.conditions import conditions
from rig.analysis.contrasts import Contrast, critical, family_critical
from rig.analysis.effects import Critical, Effects, Part, RunTable, stand_parts
from rig.analysis.runs import Run
from rig.analysis.usable import has

NO_CHANGE = ("_degc", "_start", "_end", "_peak", "_rate")
"""How quantities end that have no change of their own."""

_SKIPPED = frozenset({"supply_ohm", "bridged_pct", "recorded_s"})


class Tables:
    """The runs that are compared, in order. What is asked for is computed once and kept."""

    def __init__(
        self, runs: Sequence[Run], baseline: str, others: list[str], question: Question
    ) -> None:
        self.runs, self.baseline, self.others, self.question = runs, baseline, others, question
        self.quantities = [
            name
            for name in dict.fromkeys(name for run in runs for name in run.figures)
            if name not in _SKIPPED and any(has(run, name) for run in runs)
        ]
        self.conditions = cache(self._conditions)
        self._table_of = cache(self._make_table)
        self._effects_of = cache(self._make_effects)

    def table(self, *names: str) -> RunTable | None:
        """The runs that have all of `names`; None where the baseline has no such run."""
        rows = tuple(i for i, run in enumerate(self.runs) if all(has(run, n) for n in names))
        return self._table_of(rows)

    def effects(self, other: str, *names: str) -> Effects | None:
        """The changes of the runs that have all of `names`; None where a setup has no such run."""
        table = self.table(*names)
        if table is None or other not in table.setups or not set(names) <= set(table.names):
            return None
        return self._effects_of(table, other)

    def of(self, *setups: str) -> list[Run]:
        """The runs of `setups`."""
        return [run for run in self.runs if run.setup in setups]

    def drifts_in(self, table: RunTable) -> bool:
        """Whether the order of any variant lets a straight drift be taken out."""
        others = [other for other in self.others if other in table.setups]
        return any(table.order(self.baseline, other).takes_out_drift for other in others)

    @property
    def compared(self) -> set[str]:
        """The quantities with a change: a temperature in degrees Celsius has no percent, since
        its zero is arbitrary, and what is not positive has no logarithm."""
        return {
            name
            for name in self.quantities
            if not name.endswith(NO_CHANGE)
            and (
                in_kelvin(name)
                or all(run.figures[name] > 0.0 for run in self.runs if has(run, name))
            )
        }

    def _make_table(self, rows: tuple[int, ...]) -> RunTable | None:
        runs = tuple(self.runs[row] for row in rows)
        if self.baseline not in {run.setup for run in runs}:
            return None
        names = [n for n in self.quantities if n in self.compared and all(has(r, n) for r in runs)]
        columns = [
            [run.figures[name] if in_kelvin(name) else math.log(run.figures[name]) for run in runs]
            for name in names
        ]
        if set(efficiency.NEEDED) <= set(names):
            names.append(efficiency.INDEX)
            columns.append([efficiency.index(r, self.question.density_kg_m3) for r in runs])
        return RunTable(runs, tuple(names), np.array(columns).T.reshape(len(runs), -1))

    def _make_effects(self, table: RunTable, other: str) -> Effects:
        def compared(of: RunTable) -> tuple[Contrast, ...]:
            return of.contrasts(self.baseline, other)

        effects = Effects(table, compared, self._critical(table))
        parts = [*stand_parts(table, effects.weights, is_log), *self._condition_parts(other)]
        parts = [efficiency.with_index(part) for part in parts]
        if efficiency.INDEX in table.names:
            pair = [run for run in table.runs if run.setup in (self.baseline, other)]
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


def in_kelvin(quantity: str) -> bool:
    """Whether a change of `quantity` is a difference in K."""
    return quantity.endswith("_rise")


def is_log(quantity: str) -> bool:
    """Whether a change of `quantity` is a difference of logarithms, which is a percentage."""
    return not in_kelvin(quantity)
