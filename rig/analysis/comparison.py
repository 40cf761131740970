"""Two or more setups side by side: means, spreads and percent changes.

The run is the unit: a setup's mean is the mean of its runs' figures, and its spread the
standard deviation between runs, however many lines each run has.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.errors import SettingsError

_NOT_COMPARED = frozenset({"steady_from_s", "steady_to_s"})


@dataclass(frozen=True, slots=True)
class RunFigures:
    """The figures of one run, and what is needed to say which run it was."""

    name: str
    setup: str
    outcome: str
    figures: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one quantity. Spreads are standard deviations between runs.

    A spread is None where there is only one run: one run has no scatter to show.
    """

    quantity: str
    baseline: float
    variant: float
    baseline_spread: float | None
    variant_spread: float | None
    change_pct: float | None
    runs: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Comparison:
    """One variant against the baseline."""

    baseline: str
    variant: str
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Comparisons:
    """Every variant against the baseline, and what was left out and why."""

    baseline: str
    variants: tuple[Comparison, ...]
    warnings: tuple[str, ...]


def compare(runs: Sequence[RunFigures], baseline: str) -> Comparisons:
    """Compare every other setup in `runs` with `baseline`.

    Runs that were tripped or have no steady part are left out, with a warning each. Raises
    SettingsError where nothing is left to compare.
    """
    used, warnings = _usable(runs)
    setups = list(dict.fromkeys(run.setup for run in runs))
    if baseline not in setups:
        raise SettingsError(
            f"no run has the setup {baseline!r}",
            where="--baseline",
            to_do=f"The setups found are: {', '.join(map(repr, setups)) or 'none'}.",
        )
    for setup in setups:
        if not any(run.setup == setup for run in used):
            warnings.append(f"setup {setup!r} has no run that can be used")
    base = [run for run in used if run.setup == baseline]
    others = [s for s in setups if s != baseline and any(run.setup == s for run in used)]
    if not base or not others:
        raise SettingsError(
            "a comparison needs usable runs of the baseline and of one more setup",
            to_do="\n  ".join(warnings) or "Record runs of a second setup with --setup.",
        )
    variants = tuple(
        Comparison(baseline, name, _changes(base, [run for run in used if run.setup == name]))
        for name in others
    )
    for name, count in ((s, sum(run.setup == s for run in used)) for s in [baseline, *others]):
        if count == 1:
            warnings.append(f"setup {name!r} has one run: its scatter is not known")
    return Comparisons(baseline, variants, tuple(warnings))


def _usable(runs: Sequence[RunFigures]) -> tuple[list[RunFigures], list[str]]:
    used, warnings = [], []
    for run in runs:
        if run.outcome != "done":
            warnings.append(f"{run.name} is left out: it ended as {run.outcome!r}")
        elif not run.figures:
            warnings.append(f"{run.name} is left out: it has no steady part")
        else:
            used.append(run)
    return used, warnings


def _changes(base: Sequence[RunFigures], variant: Sequence[RunFigures]) -> tuple[Change, ...]:
    shared = [
        quantity
        for quantity in base[0].figures
        if quantity not in _NOT_COMPARED
        and all(quantity in run.figures for run in [*base, *variant])
    ]
    return tuple(_change(quantity, base, variant) for quantity in shared)


def _change(quantity: str, base: Sequence[RunFigures], variant: Sequence[RunFigures]) -> Change:
    before = np.array([run.figures[quantity] for run in base])
    after = np.array([run.figures[quantity] for run in variant])
    # A temperature in degrees Celsius has no percent: its zero is arbitrary.
    has_ratio = not quantity.endswith("_degc") and before.mean() > 0.0
    change = 100.0 * (after.mean() / before.mean() - 1.0) if has_ratio else None
    return Change(
        quantity=quantity,
        baseline=float(before.mean()),
        variant=float(after.mean()),
        baseline_spread=_spread(before),
        variant_spread=_spread(after),
        change_pct=None if change is None else float(change),
        runs=(len(before), len(after)),
    )


def _spread(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
    return float(values.std(ddof=1)) if len(values) > 1 else None
