"""What acts on two curves in addition to the scatter: the stand, the air, the start temperature."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from rig.analysis.conditions import COPPER_PER_K, density_u, difference
from rig.analysis.contrasts import Floats
from rig.analysis.curves.fit import CUBIC_FROM, Fit
from rig.analysis.curves.pair import Pair
from rig.analysis.effects import Part, RunTable, stand_parts
from rig.analysis.efficiency import AIR_AT_LEAST
from rig.analysis.runs import Run

LOSS_SHARE = 0.2
"""The share of the electric power that is lost, all of it taken as copper loss: common practice,
no source. A winding that is 1 K warmer costs this share of 0.393 % (IEC 60028)."""

CUBIC_U = 0.15
"""Standard uncertainty of the cubic term of ln power over ln speed where it is not seen: the
simulated drive has 0.14 with all rotors, from what its electronics draw and the winding loses."""


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
    if pair.steps < CUBIC_FROM:
        parts.append(Part("few steps", dict(zip(names, _unseen_bend(pair).tolist(), strict=True))))
    return [*_stand(pair, curves, weights), *parts]


def _unseen_bend(pair: Pair) -> Floats:
    """What a cubic term adds to the change that a quadratic through three steps cannot see.

    The quadratic is wrong by the cubic term times the product of the distances from the steps, and
    the change by the difference of two such products: nothing where both setups have their
    steps at the same speeds.
    """
    off = [
        np.prod(np.log(pair.points[:, None] / pair.mean_speeds(setup)), axis=1)
        for setup in (pair.baseline, pair.variant)
    ]
    bend: Floats = CUBIC_U * (off[1] - off[0])
    return bend


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
    """What the stand's components add: what all runs share cancels, as in any ratio."""
    quantity = "power_w" if curves is pair.power else "current_a"
    known = {
        key: _along(pair, quantity, curves.slope(key[0], np.log(pair.points)), read)
        for key, read in pair.readings.items()
    }
    runs = []
    for run in pair.runs:
        readings = known.get((run.setup, id(run.stand)))
        runs.append(replace(run, figures={}, stand=_always(readings) if readings else None))
    names = tuple(str(i) for i in range(len(pair.points)))
    table = RunTable(tuple(runs), names, np.empty((len(runs), len(names))))
    return stand_parts(table, weights, lambda _: True)


def _along(
    pair: Pair, quantity: str, slopes: Floats, read: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """The quantity at each point with its uncertainty, speed's included: a speed that is read
    wrong by a share moves the curve by its slope times that share."""
    found = {}
    points = zip(pair.points.tolist(), slopes.tolist(), read, strict=True)
    for index, (rpm, slope, known) in enumerate(points):
        if quantity in known and "speed_rpm" in known:
            found[str(index)] = known[quantity] * (known["speed_rpm"] / rpm) ** -slope
    return found


def _always(readings: dict[str, Any]) -> Callable[[object], dict[str, Any]]:
    return lambda _: readings
