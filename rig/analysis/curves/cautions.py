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
    """The cautions, and throttle steps that would answer the one about warmth."""
    found = []
    speed, faster = (pair.mean_speeds(setup) for setup in (pair.baseline, pair.variant))
    ratio = float(np.abs(np.log(faster / speed)).max())
    offered: tuple[float, ...] = ()
    throttle = next(one.throttle_pct for one in pair.stepped if one.run.setup == pair.variant)
    if 100.0 * ratio > OWN_WARMTH_PCT:
        offered = _offered(speed, faster, throttle)
        steps = ", ".join(f"{step:g}" for step in offered)
        text = (
            f"the steps differ in speed by up to {percent(ratio):.1f} %, so each setup is as warm "
            f"as its own run made it: run {pair.variant} with the steps {steps} %, which reach the "
            f"speeds of {pair.baseline}"
        )
        found.append(Remark(Caution.OWN_WARMTH, text))
    start = difference(pair.runs, pair.baseline, pair.variant, started_degc)
    if start is not None and abs(start.change) > START_K:
        cost = 100.0 * LOSS_SHARE * COPPER_PER_K * abs(start.change)
        text = (
            f"motor started at {start.before:.1f} °C and {start.after:.1f} °C: up to {cost:.1f} % "
            "of power at equal speed, which the interval contains"
        )
        found.append(Remark(Caution.START_TEMPERATURE, text))
    amps = pair.current.mean(pair.baseline, pair.grid)
    if small := pair.grid[amps < SMALL_CURRENT * amps[-1]].tolist():
        text = (
            f"up to {small[-1]:.0f} rpm the current is below a tenth of the largest: set the "
            "shunt's zero before each run, since a shift of it counts most there"
        )
        found.append(Remark(Caution.SMALL_CURRENT, text))
    return tuple(found), offered


def _offered(wanted: Floats, speed: Floats, throttle_pct: Floats) -> tuple[float, ...]:
    """The throttle at which a setup reaches the `wanted` speeds, to half a percent.

    From a quadratic of throttle over speed through its own steps.
    """
    reached = np.polyval(np.polyfit(speed, throttle_pct, 2), wanted)
    steps = np.clip(np.round(2.0 * reached) / 2.0, 0.0, 100.0)
    return tuple(steps.tolist())
