"""What became of each quantity of one variant: its change, per percent of speed, the efficiency."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.analysis import efficiency
from rig.analysis.answers import Change, EfficiencyChange, Ratio
from rig.analysis.contrasts import Floats, percent
from rig.analysis.effects import Estimate
from rig.analysis.rises import judged_rise
from rig.analysis.runs import Run
from rig.analysis.tables import NO_CHANGE, Tables, in_kelvin
from rig.analysis.usable import has

RATIO_FROM_RUNS = 3
"""With two runs of a setup, a scatter that comes out small by chance makes a ratio look determined:
its intervals contain the truth in 90 % (by simulation)."""

_TOTALS = ("charge_ah", "energy_wh")


def change_of(tables: Tables, quantity: str, other: str) -> Change | None:
    """The change of `quantity`; None where a setup has no run that has it."""
    before, after = (
        np.array([run.figures[quantity] for run in tables.of(setup) if has(run, quantity)])
        for setup in (tables.baseline, other)
    )
    if not len(before) or not len(after):
        return None
    plain = Change(
        quantity, float(before.mean()), float(after.mean()), _spread(before), _spread(after),
        (len(before), len(after)), "K" if in_kelvin(quantity) else "%",
        note=_note(quantity, tables.of(tables.baseline, other)),
    )  # fmt: skip
    effects = tables.effects(other, quantity)
    if effects is None:
        celsius = quantity.endswith(NO_CHANGE)
        return replace(plain, why="" if celsius else "not positive in every run: no percent")
    found = _answered(plain, effects.estimate(quantity))
    if not in_kelvin(quantity):
        return found
    return judged_rise(found, tables.of(tables.baseline), tables.of(other))


def per_speed(tables: Tables, quantity: str, other: str) -> Ratio:
    """Percent of `quantity` per percent of speed."""
    effects = tables.effects(other, quantity, "speed_rpm")
    if effects is None:
        return Ratio(None, None, "speed or the quantity was not measured in runs of both setups")
    value, interval = effects.ratio(quantity, "speed_rpm")
    counts = [effects.table.setups.count(setup) for setup in (tables.baseline, other)]
    if min(counts) < RATIO_FROM_RUNS:
        return Ratio(value, None, f"it takes {RATIO_FROM_RUNS} runs of each setup")
    if interval is None:
        return Ratio(None, None, "the change of speed is within the scatter")
    return Ratio(value, interval)


def efficiency_of(tables: Tables, other: str) -> EfficiencyChange:
    """By the affinity laws, or why not; and from a torque sensor where there is one."""
    measured = change_of(tables, "efficiency", other) if "efficiency" in tables.quantities else None
    torque = (measured.change, measured.ci95) if measured is not None else (None, None)
    effects = tables.effects(other, *efficiency.NEEDED)
    if effects is None:
        reason = "speed or power was not measured, or not positive, in runs of both setups"
    else:
        pair, question = tables.of(tables.baseline, other), tables.question
        reason = efficiency.why_withheld(effects, pair, tables.baseline, other, question)
    if effects is None or reason:
        return EfficiencyChange(withheld=reason, measured_pct=torque[0], measured_ci95=torque[1])
    found = effects.estimate(efficiency.INDEX)
    return EfficiencyChange(
        percent(found.value),
        found.interval and (percent(found.interval[0]), percent(found.interval[1])),
        measured_pct=torque[0],
        measured_ci95=torque[1],
    )


def _answered(change: Change, found: Estimate) -> Change:
    """`change` with what was found of it; its unit is known."""
    scale = 100.0 if change.unit == "%" else 1.0
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


def _note(quantity: str, runs: Sequence[Run]) -> str:
    """What else must be said of a quantity that counts from the begin of the run."""
    until_step = any(run.step < len(run.steps) for run in runs)
    counts = quantity in _TOTALS or in_kelvin(quantity)
    return "by the end of the step" if until_step and counts else ""


def _in(unit: str, value: float) -> float:
    """A logarithm in percent; K as they are."""
    return percent(value) if unit == "%" else value


def _spread(values: Floats) -> float | None:
    return float(values.std(ddof=1)) if len(values) > 1 else None
