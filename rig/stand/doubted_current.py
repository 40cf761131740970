"""Current that is not there, flows back, or swings, while the drive turns the rotor.

A driven motor takes current. How much must flow at a speed is not known, so the least that can is
compared with what the input resolves: reversed is a reading below zero by more than its
uncertainty, missing is one that has not risen while more than the input can hide must flow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from rig.stand.driven import SETTLED_S, STEADY, Doubt, Driven, Look
from rig.stand.watches import amount

FULL_SPEED_A = 0.3
"""Share of the current limit that a motor takes at its highest speed at least. Below it, current
falls with the cube of speed at most, as a propeller's or fan's does."""

NO_LOAD_A = 0.005
"""Share of it that a motor without any load takes at its highest speed at least; below it, as
speed."""

HIDDEN_COUNTS = 2.0
"""A rise of less than one count may hide between two steps of the converter; twice as much not."""

SWING, SWING_TURNS, SWING_WITHIN_S = 0.2, 3, 1.5
"""Change of current, as a share, that comes and goes so often while a rotor keeps its speed."""


def doubted_current(driven: Driven, look: Look) -> Iterator[Doubt]:
    """What is in doubt now."""
    if not driven.has_current:
        return
    blinds, hold_s = "current_a" in driven.tripping, driven.works_for_s(look)
    works = hold_s < math.inf
    said = f"Current reads {amount(look.current_a, 'current_a')}"
    at = f" at {amount(look.speed_rpm, 'speed_rpm')}" if driven.has_speed else ""
    at = at or driven.at_throttle()
    if driven.held("negative", works and look.current_a < -driven.sure_a, hold_s):
        text = f"{said}{at}. Look at the shunt's leads: they are reversed."
        yield Doubt("current_a", "reversed", text, look.current_a, blinds)
    if driven.held("missing", works and _is_missing(driven, look), hold_s):
        text = f"{said}{at}. Look at the shunt's leads: reversed or open."
        yield Doubt("current_a", "no current", text, look.current_a, blinds)
    if swing := _swing(driven, look):
        low_a, high_a = swing
        text = (
            f"Current swings between {amount(low_a, 'current_a')} and "
            f"{amount(high_a, 'current_a')} while speed stays. Look at the filter of the "
            "shunt's input: a ripple that the board samples in step gives false means."
        )
        yield Doubt("current_a", "swings", text, high_a)


def _is_missing(driven: Driven, look: Look) -> bool:
    """Whether nothing is read where more must flow than the input can hide: steps of the
    converter, or at the lower end of its scale the offset too."""
    share = driven.share(look)
    due_a = driven.scale_a * (FULL_SPEED_A * share**3 + NO_LOAD_A * share)
    at_bottom = look.current_a <= driven.bottom_a
    hidden_a = driven.sure_a if at_bottom else HIDDEN_COUNTS * driven.count_a
    nothing = abs(look.current_a) <= driven.sure_a and driven.rise_a(look) <= driven.count_a
    return nothing and due_a >= hidden_a


def _swing(driven: Driven, look: Look) -> tuple[float, float] | None:
    """The ends between which current swings at a speed that stays."""
    if not driven.has_speed or look.time_s - driven.changed_s < 2.0 * SETTLED_S:
        return None
    looks = [old for old in driven.lately(look, SWING_WITHIN_S) if math.isfinite(old.current_a)]
    if not looks:
        return None
    slow, fast = min(old.speed_rpm for old in looks), max(old.speed_rpm for old in looks)
    low_a, high_a = min(old.current_a for old in looks), max(old.current_a for old in looks)
    size_a = high_a - low_a
    stays = slow >= (1.0 - 2.0 * STEADY) * fast
    if not (stays and size_a > max(SWING * high_a, 2.0 * driven.sure_a)):
        return None
    ends = [round((old.current_a - low_a) / size_a) for old in looks]
    turns = sum(a != b for a, b in pairwise(ends))
    return (low_a, high_a) if turns >= SWING_TURNS else None
