"""A tachometer that is silent, counts too much or too little, or whose marks are uneven.

Current without a turn is a dead tachometer or a blocked rotor. Where the motor's rpm per volt is
given, supply and throttle bound the speed from above, and the winding's loss from below. Marks may
be off their place by `UNEVEN_MARKS`: beyond that the speed's rules throw readings out, or find the
marks where nobody sticks them.
"""

from __future__ import annotations

from collections.abc import Iterator

from rig.stand.driven import LOOK_BACK_S, SETTLED_S, Doubt, Driven, Look, known
from rig.stand.marks import UNEVEN_MARKS
from rig.stand.watches import amount

STANDSTILL_A = 0.02
"""Share of the current limit that no motor takes for long without turning."""

REST_A = 0.05
"""Share of it that flows at rest at most."""

STANDSTILL_RPM = 0.02
"""Share of the highest speed so far below which a tachometer counts as silent."""

SILENT_HOLD_S = 0.25
"""The first two marks of a slow rotor may take so long to pass."""

DOUBLE, DOUBLE_OFFSET, FASTEST = 1.4, 0.05, 1.3
"""Speed over rpm per volt times voltage: at most so often the throttle, plus an offset (not all
controllers idle at the same pulse), and never more than `FASTEST` (timing advance, tolerance of
the label)."""

HALF, HALF_FROM = 0.5, 0.7
"""A motor below so much of its no-load speed heats itself with most of its power; judged from
that throttle on."""

HALF_KNOWN, HALF_KNOWN_FROM = 0.65, 0.5
"""The same where the resistance is known, of the speed that it leaves."""

UNEVEN = 1.2 * UNEVEN_MARKS
"""More than any mark is off by that was stuck on with some care."""

THROWN_OUT, THROWN_OUT_WITHIN_S = 0.1, 1.0
"""Share of lines whose speed is thrown out; marks in their places and a clean signal give less
than a third of it in good runs."""


def doubted_tachometer(driven: Driven, look: Look, unevenness: float) -> Iterator[Doubt]:
    """What is in doubt now. `unevenness` is what is known of the marks, in even distances."""
    if not driven.has_speed:
        return
    blinds = "speed_rpm" in driven.tripping
    silent = look.speed_rpm <= STANDSTILL_RPM * driven.fastest_rpm
    rest_a = min(known(driven.rest_a), REST_A * driven.scale_a)
    flows = look.current_a - rest_a > max(driven.sure_a, STANDSTILL_A * driven.scale_a)
    if driven.held("silent", silent and flows, SILENT_HOLD_S):
        text = (
            f"Current is {amount(look.current_a, 'current_a')} and no turn is seen. Look at "
            "the rotor, which may be blocked, and at the tachometer: lead, lamp, marks."
        )
        yield Doubt("speed_rpm", "no speed", text, look.speed_rpm, blinds)
    yield from _rpm_per_volt(driven, look, blinds=blinds)
    yield from _marks(driven, look, unevenness)


def _rpm_per_volt(driven: Driven, look: Look, *, blinds: bool) -> Iterator[Doubt]:
    """Speed against what the motor can do at this voltage."""
    motor = driven.motor
    if motor is None or not look.voltage_v > 0.0 or not look.speed_rpm > 0.0:
        return
    top_rpm = motor.rpm_per_volt * look.voltage_v
    feeds = not driven.has_current or driven.flows(look)
    pct = driven.settled_pct(look)
    share = None if pct is None else pct / 100
    most = FASTEST if share is None else min(DOUBLE * share + DOUBLE_OFFSET, FASTEST)
    steady = driven.is_steady(look)
    said = (
        f"Speed is {amount(look.speed_rpm, 'speed_rpm')}; at "
        f"{amount(look.voltage_v, 'voltage_v')}{driven.at_throttle()} the motor "
    )
    if driven.held("double", feeds and steady and look.speed_rpm > most * top_rpm):
        text = (
            f"{said}turns at most {top_rpm * (share or 1.0):.0f} rpm. Look at "
            "pulses_per_revolution: edges may be counted twice."
        )
        yield Doubt("speed_rpm", "too fast", text, look.speed_rpm)
    least_rpm = 0.0
    if share is not None and motor.resistance_ohm and share >= HALF_KNOWN_FROM:
        lost_v = motor.resistance_ohm * max(known(look.current_a), 0.0) / share
        least_rpm = HALF_KNOWN * motor.rpm_per_volt * (share * look.voltage_v - lost_v)
    elif share is not None and share >= HALF_FROM:
        least_rpm = HALF * share * top_rpm
    if driven.held("half", feeds and steady and look.speed_rpm < least_rpm):
        text = (
            f"{said}turns at least {least_rpm:.0f} rpm. Look at the tachometer's marks and "
            "pulses_per_revolution: marks may be missed."
        )
        yield Doubt("speed_rpm", "too slow", text, look.speed_rpm, blinds)


def _marks(driven: Driven, look: Look, unevenness: float) -> Iterator[Doubt]:
    """Marks that are off their places by more than marks are, or edges that are none."""
    where = "Look at the marks, their distances and edges, and at light that counts as one."
    if driven.held("uneven", unevenness > UNEVEN, LOOK_BACK_S):
        text = f"Two marks are {100 * unevenness:.0f} % nearer or farther than they should be."
        yield Doubt("speed_rpm", "uneven marks", f"{text} {where}")
        return
    looks = driven.lately(look, THROWN_OUT_WITHIN_S)
    share = sum(old.thrown_out for old in looks) / len(looks)
    long_enough = look.time_s - looks[0].time_s >= 0.9 * THROWN_OUT_WITHIN_S
    on_for_s = look.time_s - driven.on_s
    if long_enough and on_for_s >= SETTLED_S and share > THROWN_OUT:
        text = f"{100 * share:.0f} % of the speeds in the last second are of uneven edges."
        yield Doubt("speed_rpm", "uneven edges", f"{text} {where}")
