"""What acts on two curves in addition to the scatter: the stand, the air, the start temperature."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from rig.analysis.conditions import COPPER_PER_K, density_u, difference
from rig.analysis.contrasts import Floats
from rig.analysis.curves.fit import CUBIC_FROM, Fit, fit
from rig.analysis.curves.pair import Pair
from rig.analysis.effects import Part, RunTable, stand_parts
from rig.analysis.efficiency import AIR_AT_LEAST
from rig.analysis.runs import Run
from rig.stand.uncertainty import NORMAL_975

LOSS_SHARE = 0.2
"""The share of the electric power that is lost, all of it taken as copper loss: common practice,
no source. A winding that is 1 K warmer costs this share of 0.393 % (IEC 60028)."""

UNSEEN = ((3, 0.15), (4, 0.1))
"""The power of ln speed that is not seen, with three steps and with more, and the standard
uncertainty of its factor: about that of the simulated drive (-0.14 and 0.1), whose curve is
bent by what its electronics draw and its winding loses."""


def known_parts(pair: Pair, curves: Fit, weights: Floats) -> list[Part]:
    """The parts of the interval of `curves`; their names are the indices of `pair.points`.

    `weights` are what each run contributes to the change, shape (runs,).
    """
    names = [str(i) for i in range(len(pair.points))]
    constant = {"start temperature": LOSS_SHARE * COPPER_PER_K * _start_k(pair) / NORMAL_975}
    if not pair.has_air:
        u = density_u(pair.runs, pair.baseline, pair.variant)
        constant["air"] = math.hypot(u, AIR_AT_LEAST)
    if curves is pair.current:
        # The same power takes less current from more volts.
        constant["supply voltage"] = -_supply(pair)
    parts = [Part(name, dict.fromkeys(names, size)) for name, size in constant.items() if size]
    parts.append(
        Part("shape between the steps", dict(zip(names, _unseen_bend(pair).tolist(), strict=True)))
    )
    return [*_stand(pair, curves, weights), *parts]


def _unseen_bend(pair: Pair) -> Floats:
    """What the next power of ln speed, which the fit does not see, adds to the change.

    The fit leaves a little of it between the steps, at other speeds where the steps are others:
    nothing where both setups have their steps at the same speeds.
    """
    speeds = np.array([pair.mean_speeds(setup) for setup in (pair.baseline, pair.variant)])
    power, size = UNSEEN[pair.steps >= CUBIC_FROM]
    shape = np.log(speeds / speeds.mean()) ** power
    left = fit((pair.baseline, pair.variant), speeds, np.exp(shape)).logs(pair.points)
    bend: Floats = size * (left[1] - left[0])
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
        (run.setup, id(run.stand)): _along(pair, quantity, curves, run)
        for run in {(run.setup, id(run.stand)): run for run in pair.runs}.values()
    }
    runs = [
        replace(run, figures={}, stand=_always(known[run.setup, id(run.stand)]))
        for run in pair.runs
    ]
    names = tuple(str(i) for i in range(len(pair.points)))
    table = RunTable(tuple(runs), names, np.empty((len(runs), len(names))))
    return stand_parts(table, weights, lambda _: True)


def _along(pair: Pair, quantity: str, curves: Fit, run: Run) -> dict[str, Any]:
    """What errors of the stand make of a setup's curve at each point, as shares of 1.

    A component acts on the readings at the steps, and the fit carries it to the points. A speed
    that is read wrong by a share moves the curve by its slope times that share.
    """
    if run.stand is None:
        return {}
    speeds = pair.mean_speeds(run.setup)
    slopes = curves.slope(run.setup, np.log(speeds))
    amps, watts = (of.mean(run.setup, speeds) for of in (pair.current, pair.power))
    errors = []
    for rpm, slope, current_a, power_w in zip(speeds, slopes, amps, watts, strict=True):
        means = {"speed_rpm": rpm, "current_a": current_a, "voltage_v": power_w / current_a}
        read = run.stand({name: float(value) for name, value in means.items()})
        if quantity not in read or "speed_rpm" not in read:
            return {}
        value = read[quantity] / (current_a if quantity == "current_a" else power_w)
        errors.append(value - 1.0 - float(slope) * (read["speed_rpm"] / float(rpm) - 1.0))
    return {
        str(i): 1.0 + sum(share * error for share, error in zip(row, errors, strict=True))
        for i, row in enumerate(pair.carried(run.setup).tolist())
    }


def _always(readings: dict[str, Any]) -> Callable[[object], dict[str, Any]]:
    return lambda _: readings
