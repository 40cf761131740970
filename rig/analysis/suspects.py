"""Runs that stand out among those of their setup: named, and kept."""

from __future__ import annotations

from collections.abc import Sequence

from rig.analysis.contrasts import Model
from rig.analysis.effects import RunTable
from rig.analysis.inference import grubbs

SIGNIFICANCE = 0.05
"""For all tests of a comparison together: each has its share of it (Bonferroni; O. J. Dunn, J. Am.
Stat. Assoc. 56 (1961) 52-64)."""

FEWEST_RUNS = 3


def suspects(tables: Sequence[tuple[str, RunTable, bool]]) -> list[str]:
    """A warning for each run that stands out by Grubbs' test.

    `tables` are quantities, their runs, and whether a straight drift is taken out of them.
    """
    tests = [
        (quantity, table, drifts, setup)
        for quantity, table, drifts in tables
        for setup in dict.fromkeys(table.setups)
        if table.setups.count(setup) >= FEWEST_RUNS
    ]
    words = []
    for quantity, table, drifts, setup in tests:
        rest = Model(table.setups, table.values, table.time_s if drifts else None).residuals()
        rows = [row for row, name in enumerate(table.setups) if name == setup]
        found = grubbs(rest[rows, table.names.index(quantity)], SIGNIFICANCE / len(tests))
        if found is not None:
            words.append(
                f"{table.runs[rows[found]].name} stands out in {quantity} among the runs of "
                f"{setup!r} (Grubbs' test, 5 % for all {len(tests)} tests together); it is kept: "
                "look at it"
            )
    return words
