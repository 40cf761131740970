"""Two setups compared at equal speed, from runs with several throttle steps.

With the same rotor in the same air, shaft power at one speed is the same whatever the controller
does. So at equal speed the ratio of the electric powers is the ratio of the efficiencies, with no
torque sensor and no cube law:

    eta_B / eta_A (n) = P_A(n) / P_B(n) * rho_B / rho_A

Each run gives a curve of ln power over ln speed (`rig.analysis.curves.fit`); its values at the
speeds of a grid are judged by the same linear model as any other quantity (`rig.analysis.order`,
`rig.analysis.effects`). The band that holds at all speeds at once is in `rig.analysis.curves.band`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis.contrasts import Contrast, Floats, critical
from rig.analysis.curves.answers import (
    Band,
    CurveComparison,
    CurveQuestion,
    Curves,
    Overall,
)
from rig.analysis.curves.band import simultaneous_critical
from rig.analysis.curves.cautions import cautions, why_withheld
from rig.analysis.curves.fit import Fit
from rig.analysis.curves.known import known_parts
from rig.analysis.curves.pair import GRID, Pair
from rig.analysis.curves.steps import comparable
from rig.analysis.curves.use import crossings, ranges_above_zero
from rig.analysis.effects import Effects, Part, RunTable, combined_u
from rig.analysis.steps import OverSteps

_RANGE, _USE = "range", "use"


def compare_curves(
    stepped: Sequence[OverSteps],
    baseline: str,
    variant: str,
    question: CurveQuestion | None = None,
) -> CurveComparison:
    """Compare `variant` with `baseline` at equal speed.

    `stepped` are runs with the means of their throttle steps, in any order; runs of other setups
    are ignored. What cannot be used is left out and named in `reasons`; where nothing can be
    compared, `curves` is None and the last reason says why. Powers are in W, currents in A,
    speeds in rpm, changes in percent, at the baseline's speed and in the baseline's air.

    Intervals contain the scatter between runs, the stand's components as far as they do not cancel,
    the air, and the measured difference of the start temperatures. A pointwise interval holds at
    one speed chosen beforehand, a band at all speeds at once; both at `question.confidence`.
    Watts and amperes are changes of the baseline's curve, whose own gain error is not in them.

    Raises SettingsError for a use that the runs do not cover.
    """
    question = question or CurveQuestion()
    kept, reasons = comparable(stepped, (baseline, variant))
    if not kept:
        return CurveComparison(baseline, variant, None, tuple(reasons))
    pair = Pair(tuple(kept), baseline, variant, question)
    said, offered = cautions(pair)
    return CurveComparison(
        baseline,
        variant,
        _curves(pair),
        tuple(reasons),
        said,
        tuple(run.name for run in pair.runs),
        offered,
        RunTable(pair.runs, (), np.empty((len(pair.runs), 0))).order(baseline, variant),
    )


def _curves(pair: Pair) -> Curves:
    power = _judged(pair, pair.power)
    current = _judged(pair, pair.current)
    before_w, before_a = (
        fitted.mean(pair.baseline, pair.grid) for fitted in (pair.power, pair.current)
    )
    withheld = why_withheld(pair, power.band.estimate)
    slope = _slope_between(pair, power.band.estimate)
    as_watts = power.band.through(lambda log: -before_w * np.expm1(log))
    zero = np.minimum(-power.band.point_low, power.band.point_high)
    return Curves(
        speed_rpm=pair.grid,
        baseline_w=before_w,
        variant_w=pair.power.mean(pair.variant, pair.grid),
        baseline_a=before_a,
        variant_a=pair.current.mean(pair.variant, pair.grid),
        power_pct=power.band.through(_percent),
        current_pct=current.band.through(_percent),
        less_current_a=current.band.through(lambda log: -before_a * np.expm1(log)),
        faster_pct=power.band.through(lambda log: _percent(-log / slope)),
        efficiency_pct=None if withheld else power.band.through(lambda log: _percent(-log)),
        less_heat_w=None if withheld else as_watts,
        withheld=withheld,
        same_rpm=ranges_above_zero(pair.grid, zero),
        crosses_rpm=crossings(pair.grid, power.band.estimate),
        over_range=power.over_range,
        over_use=power.over_use,
    )


# One quantity


@dataclass(frozen=True, eq=False)
class _Judged:
    """The change of one quantity, in logarithms."""

    band: Band
    over_range: Overall
    over_use: Overall | None


def _judged(pair: Pair, curves: Fit) -> _Judged:
    logs = pair.logs(curves)
    mix, beyond = _mix(pair, curves, logs)
    names = (*map(str, range(GRID)), _RANGE, *([_USE] if len(mix) > GRID + 1 else []))
    table = RunTable(pair.runs, names, logs @ mix.T)
    sides = pair.contrasts(table)
    weights = np.mean([side.weights for side in sides], axis=0)
    parts = [_mixed(part, mix, names) for part in known_parts(pair, curves, weights)]
    confidence = pair.question.confidence
    pointwise = Effects(table, lambda _: sides, lambda df: critical(df, confidence), parts)
    wide = _simultaneous(sides, parts, names[:GRID], confidence)
    found = [pointwise.estimate(name) for name in names]
    at_once = replace(pointwise, critical=lambda _: wide)
    nowhere = (math.nan, math.nan)
    point = np.array([one.interval or nowhere for one in found[:GRID]])
    band = np.array([at_once.estimate(name).interval or nowhere for name in names[:GRID]])
    values = np.array([one.value for one in found[:GRID]])
    use = None
    if len(found) > GRID + 1:
        ends = found[-1].interval
        moved = ends and (ends[0] + beyond, ends[1] + beyond)
        use = Overall(replace(found[-1], value=found[-1].value + beyond, interval=moved))
    return _Judged(Band(values, *point.T, *band.T), Overall(found[GRID]), use)


def _mix(pair: Pair, curves: Fit, logs: Floats) -> tuple[Floats, float]:
    """Columns from points, shape (columns, points), and what the use's line leaves of its change.

    The change of energy is ln sum w exp(D), with D the change at each speed and w the baseline's
    share of energy there; its gradient makes the line.
    """
    count = len(pair.points)
    mix = np.zeros((GRID + 1, count))
    mix[:GRID, :GRID] = np.eye(GRID)
    mix[GRID, :GRID] = 1.0 / GRID
    speeds, shares = pair.use
    if not len(speeds):
        return mix, 0.0
    sides = pair.contrasts(RunTable(pair.runs, (), logs[:, GRID:]))
    change = np.mean([side.estimates for side in sides], axis=0)
    energy = shares * curves.mean(pair.baseline, speeds) * np.exp(change)
    gradient = energy / energy.sum()
    whole = math.log(energy.sum() / (energy * np.exp(-change)).sum())
    line = np.concatenate([np.zeros(GRID), gradient])
    return np.vstack([mix, line]), whole - float(gradient @ change)


def _mixed(part: Part, mix: Floats, names: Sequence[str]) -> Part:
    """The effects of a part on points as effects on columns."""
    at_points = np.array([part.effects.get(str(i), 0.0) for i in range(mix.shape[1])])
    return Part(part.name, dict(zip(names, (mix @ at_points).tolist(), strict=True)))


def _simultaneous(
    sides: Sequence[Contrast], parts: Sequence[Part], names: Sequence[str], confidence: float
) -> float:
    """The critical value for all of the grid, from every other speed; nan without scatter.

    The curves are so smooth that the speeds between change it by less than 0.1 %.
    """
    some = slice(0, GRID, 2)
    added = np.array([[part.effects[name] for name in names[some]] for part in parts])
    known = added.T @ added
    largest = 0.0
    for side in sides:
        scatter, free = side.covariance[some, some], side.df[some]
        if not free.min() > 0.0:
            return math.nan
        spreads = np.sqrt(np.maximum([np.diag(scatter), np.diag(known)], 0.0)).T.tolist()
        df = min(
            combined_u(own, freedom, other)[1]
            for (own, other), freedom in zip(spreads, free.tolist(), strict=True)
        )
        largest = max(largest, simultaneous_critical(scatter + known, df, confidence))
    return largest


def _slope_between(pair: Pair, change: Floats) -> Floats:
    """The slope of the variant's curve between the baseline's speed and that of equal power."""
    u = np.log(pair.grid)
    slope = pair.power.slope(pair.variant, u)
    for _ in range(3):
        slope = pair.power.slope(pair.variant, u - 0.5 * change / slope)
    return slope


def _percent(logarithm: Floats) -> Floats:
    change: Floats = 100.0 * np.expm1(logarithm)
    return change
