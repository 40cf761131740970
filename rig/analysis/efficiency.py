"""The change of efficiency without a torque sensor: the fan or propeller is its own brake.

Shaft power goes with the density of the air and with a power of speed. The affinity laws say
that the exponent is 3; measured propellers deviate from that (`rig.analysis.rotor`). So the index
is density times speed cubed over electric power, and the exponent's uncertainty counts with the
logarithm of the ratio of the speeds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from rig.analysis.answers import Question
from rig.analysis.conditions import rotors_differ
from rig.analysis.contrasts import percent
from rig.analysis.effects import Effects, Part
from rig.analysis.rotor import efficiency_u, exponent_u
from rig.analysis.runs import Run

INDEX = "efficiency index"
NEEDED = ("speed_rpm", "power_w")

SMALL_CHANGE_PCT = 20.0
"""Up to this change of speed the affinity laws are used. Ours, no source."""

SAME_ROTOR_PCT = 15.0
"""An efficiency that changes by more is no motor's: the rotor is another. Ours, no source."""

AIR_AT_LEAST = 0.001
"""Relative standard uncertainty of the ratio of two densities in one room (0.3 K): common
practice, no source."""


def index(run: Run, density_kg_m3: Mapping[str, float]) -> float:
    """The logarithm of density times speed cubed over power; nan where not both are positive."""
    speed, power = (run.figures.get(name, math.nan) for name in NEEDED)
    if not (speed > 0.0 and power > 0.0):
        return math.nan
    return 3.0 * math.log(speed) - math.log(power) + math.log(density_kg_m3.get(run.setup, 1.0))


def with_index(part: Part) -> Part:
    """A part of the changes of speed and power as it acts on the index too."""
    speed, power = (part.effects.get(name, 0.0) for name in NEEDED)
    own = part.effects.get("efficiency", 3.0 * speed - power)
    return Part(part.name, {**part.effects, INDEX: own})


def own_parts(
    effects: Effects, pair: Sequence[Run], baseline: str, variant: str, question: Question
) -> list[Part]:
    """What is uncertain in the index alone: the rotor's exponent, and an air not given."""
    ratio = math.exp(effects.estimate("speed_rpm").value)
    u = question.exponent_u or exponent_u(_place(pair))
    parts = [Part("rotor exponent", {INDEX: efficiency_u(ratio, u)})]
    if not {baseline, variant} <= question.density_kg_m3.keys():
        parts.append(Part("air", {INDEX: AIR_AT_LEAST}))
    return parts


def why_withheld(
    effects: Effects, pair: Sequence[Run], baseline: str, variant: str, question: Question
) -> str:
    """Why the index says nothing about the efficiency; empty where it does."""
    if question.other_rotor or rotors_differ(pair):
        return "another fan or propeller: its power at a speed is not the old one's"
    if INDEX not in effects.names:
        return "speed or power was not measured, or not positive, in runs of both setups"
    if len({baseline, variant} & question.density_kg_m3.keys()) == 1:
        return "the air is given for one of the two setups only"
    speed_pct = percent(effects.estimate("speed_rpm").value)
    if abs(speed_pct) > SMALL_CHANGE_PCT:
        return (
            f"speed changed by {speed_pct:+.0f} %: the affinity laws are used up to "
            f"{SMALL_CHANGE_PCT:g} %"
        )
    found = effects.estimate(INDEX)
    if abs(percent(found.value)) > SAME_ROTOR_PCT:
        return (
            f"power at the cube of speed would give {percent(found.value):+.0f} %, more than a "
            "motor's efficiency changes by: these look like two different rotors"
        )
    return ""


def _place(pair: Sequence[Run]) -> float | None:
    """Where the last throttle step lies among the steps of the runs, 0 to 1.

    None where all runs have one and the same step: no range was seen.
    """
    steps = [percent for run in pair for percent, _ in run.throttle]
    if not steps or max(steps) == min(steps):
        return None
    last = max(run.throttle[-1][0] for run in pair if run.throttle)
    return (last - min(steps)) / (max(steps) - min(steps))
