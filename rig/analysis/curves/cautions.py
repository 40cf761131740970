"""What is said beside two curves: why the efficiency is withheld, and cautions."""

from __future__ import annotations

import numpy as np

from rig.analysis.conditions import COPPER_PER_K, difference, rotors_differ
from rig.analysis.contrasts import Floats, percent
from rig.analysis.curves.answers import Caution, Remark
from rig.analysis.curves.known import LOSS_SHARE, started_degc
from rig.analysis.curves.pair import Pair
from rig.analysis.efficiency import SAME_ROTOR_PCT

START_K = 3.0
"""A difference of the start temperatures from which a caution says so. Ours, no source."""

OWN_WARMTH_PCT = 3.0
"""Where the steps of two setups differ in speed by more, each is as warm as its own run made it,
and the band misses the truth too often (by simulation)."""

SMALL_CURRENT = 0.1
"""Below this share of the top current a small shift of the shunt's zero counts: 0.03 A is 0.5 %
of the power there."""


def why_withheld(pair: Pair, change: Floats) -> str:
    """Why nothing is said of the efficiency; empty where it is.

    `change` is that of ln power over the grid, shape (speeds,).
    """
    if pair.question.other_rotor or rotors_differ(pair.runs):
        return "another fan or propeller: its power at a speed is not the old one's"
    if len({pair.baseline, pair.variant} & pair.question.density_kg_m3.keys()) == 1:
        return "the air is given for one of the two setups only"
    middle = percent(-float(change[len(change) // 2]))
    if abs(middle) > SAME_ROTOR_PCT:
        return (
            f"power at equal speed would give {middle:+.0f} %, more than a motor's efficiency "
            "changes by: these look like two different rotors"
        )
    return ""


def cautions(pair: Pair) -> tuple[tuple[Remark, ...], tuple[float, ...]]:
    """The cautions, and throttle steps (percent) that would answer the one about warmth."""
    offered = _offered(pair)
    found = (_own_warmth(pair, offered), _start(pair), _small_current(pair))
    return tuple(said for said in found if said is not None), offered


def _offered(pair: Pair) -> tuple[float, ...]:
    """The throttle at which the variant reaches the baseline's speeds, to half a percent.

    From a quadratic of throttle over speed through its own steps. Empty where the speeds differ
    by less than OWN_WARMTH_PCT.
    """
    if 100.0 * _apart(pair) <= OWN_WARMTH_PCT:
        return ()
    throttle = next(one.throttle_pct for one in pair.stepped if one.run.setup == pair.variant)
    curve = np.polyfit(pair.mean_speeds(pair.variant), throttle, 2)
    reached = np.polyval(curve, pair.mean_speeds(pair.baseline))
    return tuple(np.clip(np.round(2.0 * reached) / 2.0, 0.0, 100.0).tolist())


def _apart(pair: Pair) -> float:
    """The largest ratio of speeds at one step, as a logarithm."""
    ratio = np.log(pair.mean_speeds(pair.variant) / pair.mean_speeds(pair.baseline))
    return float(np.abs(ratio).max())


def _own_warmth(pair: Pair, offered: tuple[float, ...]) -> Remark | None:
    if not offered:
        return None
    steps = ", ".join(f"{step:g}" for step in offered)
    return Remark(
        Caution.OWN_WARMTH,
        f"the steps differ in speed by up to {percent(_apart(pair)):.1f} %, so each setup is as "
        f"warm as its own run made it: run {pair.variant} with the steps {steps} %, which reach "
        f"the speeds of {pair.baseline}",
    )


def _start(pair: Pair) -> Remark | None:
    found = difference(pair.runs, pair.baseline, pair.variant, started_degc)
    if found is None or abs(found.change) <= START_K:
        return None
    cost = 100.0 * LOSS_SHARE * COPPER_PER_K * abs(found.change)
    return Remark(
        Caution.START_TEMPERATURE,
        f"motor started at {found.before:.1f} °C and {found.after:.1f} °C: up to {cost:.1f} % of "
        "power at equal speed, which the interval contains",
    )


def _small_current(pair: Pair) -> Remark | None:
    amps = pair.current.mean(pair.baseline, pair.grid)
    small = pair.grid[amps < SMALL_CURRENT * amps[-1]]
    if not len(small):
        return None
    return Remark(
        Caution.SMALL_CURRENT,
        f"up to {small[-1]:.0f} rpm the current is below a tenth of the largest: set the shunt's "
        "zero before each run, since a shift of it counts most there",
    )
