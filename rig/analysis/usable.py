"""Which runs can be compared, and a warning for each that cannot."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.analysis.runs import Run
from rig.analysis.steps import steady_elsewhere
from rig.errors import SettingsError
from rig.stand.quantities import is_column, label_of
from rig.vocabulary import RunOutcome

COMPARED = (RunOutcome.DONE, RunOutcome.IMPORTED)
"""The outcomes of runs that are compared. Nobody watched an imported log; it is usable where
it has a steady part while the board was armed, or at all on a board that only talks."""


def usable(
    runs: Sequence[Run], baseline: str, left_out: Sequence[str] = ()
) -> tuple[list[Run], list[str]]:
    """The runs to compare, in the order in which they began, and the warnings.

    Raises SettingsError where nothing is left to compare, or the runs are of several stands.
    """
    setups = list(dict.fromkeys(run.setup for run in runs))
    if baseline not in setups:
        found = f"The setups found are: {', '.join(map(repr, setups)) or 'none'}."
        raise SettingsError(
            f"no run has the setup {baseline!r}",
            where="--baseline",
            to_do="\n  ".join([found, *left_out]),
        )
    used: list[Run] = []
    unsteady: list[Run] = []
    warnings = list(left_out)
    for run in runs:
        if run.outcome not in COMPARED:
            warnings.append(f"{run.name} is left out: it ended as {run.outcome!r}")
        elif run.left_out:
            warnings.append(f"{run.name} is left out: {run.left_out}")
            unsteady += [run] if run.step else []
        elif not run.figures:
            warnings.append(f"{run.name} is left out: it has no steady part")
        elif not any(math.isfinite(value) for value in run.figures.values()):
            warnings.append(f"{run.name} is left out: none of its readings is valid")
        else:
            used.append(run)
    warnings += steady_elsewhere(unsteady)
    if any(run.outcome == RunOutcome.IMPORTED for run in used):
        warnings.append("the order of imported logs is that of their files' times")
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
    return sorted(used, key=lambda run: (math.isnan(run.began_s), run.began_s)), warnings


def has(run: Run, quantity: str) -> bool:
    """Whether the run has a figure for a quantity."""
    return math.isfinite(run.figures.get(quantity, math.nan))


def lacking(runs: Sequence[Run], quantities: Sequence[str]) -> list[str]:
    """A warning for each measured quantity that some of the runs lack."""
    words = []
    for column in filter(is_column, quantities):
        without = [run.name for run in runs if not has(run, column)]
        if without:
            words.append(f"{label_of(column)} is compared without {', '.join(without)}")
    return words
