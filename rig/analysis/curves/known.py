"""What acts on two curves in addition to the scatter: the stand, the air, the start temperature."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from rig.analysis.conditions import COPPER_PER_K, density_u, difference
from rig.analysis.contrasts import Floats
from rig.analysis.curves.fit import Fit
from rig.analysis.curves.pair import Pair
from rig.analysis.effects import Part, RunTable, stand_parts
from rig.analysis.efficiency import AIR_AT_LEAST
from rig.analysis.runs import Run

LOSS_SHARE = 0.2
"""The share of the electric power that is lost, all of it taken as copper loss: common practice,
no source. A winding that is 1 K warmer costs this share of 0.393 % (IEC 60028)."""


def known_parts(pair: Pair, curves: Fit, weights: Floats) -> list[Part]:
    """The parts of the interval of `curves`; their names are the indices of `pair.points`.

    `weights` are what each run contributes to the change, shape (runs,).
    """
    names = [str(i) for i in range(len(pair.points))]
    constant = {"start temperature": LOSS_SHARE * COPPER_PER_K * _start_k(pair)}
    if not pair.air and not pair.question.density_kg_m3:
        u = density_u(pair.runs, pair.baseline, pair.variant)
        constant["air"] = math.hypot(u, AIR_AT_LEAST)
    if curves is pair.current:
        # The same power takes less current from more volts.
        constant["supply voltage"] = -_supply(pair)
    parts = [Part(name, dict.fromkeys(names, size)) for name, size in constant.items() if size]
    return [*_stand(pair, curves, weights), *parts]


def _start_k(pair: Pair) -> float:
    """How much warmer the variant started than the scatter explains."""
    found = difference(pair.runs, pair.baseline, pair.variant, started_degc)
    return found.excess if found is not None else 0.0


def started_degc(run: Run) -> float:
    """The motor's temperature before the run; nan where it was not measured."""
    return run.figures.get("motor_degc_start", math.nan)


def _supply(pair: Pair) -> float:
    def volts(run: Run) -> float:
        value = run.figures.get("voltage_rest_v", math.nan)
        return math.log(value) if value > 0.0 else math.nan

    found = difference(pair.runs, pair.baseline, pair.variant, volts)
    return found.excess if found is not None else 0.0


def _stand(pair: Pair, curves: Fit, weights: Floats) -> list[Part]:
    """What the stand's components add: what all runs share cancels, as in any ratio.

    A reading of speed that is wrong by a share moves the curve by its slope times that share.
    """
    known: dict[tuple[str, int], dict[str, Any]] = {}
    runs = []
    for run in pair.runs:
        key = (run.setup, id(run.stand))
        if run.stand is not None and key not in known:
            known[key] = _read(pair, curves, run)
        readings = known.get(key)
        runs.append(replace(run, figures={}, stand=_always(readings) if readings else None))
    names = tuple(str(i) for i in range(len(pair.points)))
    table = RunTable(tuple(runs), names, np.empty((len(runs), len(names))))
    return stand_parts(table, weights, lambda _: True)


def _always(readings: dict[str, Any]) -> Callable[[object], dict[str, Any]]:
    return lambda _: readings


def _read(pair: Pair, curves: Fit, run: Run) -> dict[str, Any]:
    """What the run's stand reads at each point of its setup's curve, with uncertainty."""
    assert run.stand is not None
    quantity = "power_w" if curves is pair.power else "current_a"
    amps, watts = (of.mean(run.setup, pair.points) for of in (pair.current, pair.power))
    slopes = curves.slope(run.setup, np.log(pair.points))
    found: dict[str, Any] = {}
    points = zip(pair.points.tolist(), amps.tolist(), watts.tolist(), slopes.tolist(), strict=True)
    for index, (rpm, current_a, power_w, slope) in enumerate(points):
        means = {"speed_rpm": rpm, "current_a": current_a, "voltage_v": power_w / current_a}
        read = run.stand(means)
        if quantity in read and "speed_rpm" in read:
            found[str(index)] = read[quantity] * (read["speed_rpm"] / rpm) ** -slope
    return found
