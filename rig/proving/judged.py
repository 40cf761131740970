"""What was seen of a stand in motion, judged. Pure: readings in, verdicts out."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.protocol import commands
from rig.recorder.messages import Ended, Seen
from rig.recorder.proof import PROVE_WITHIN_S
from rig.recorder.trial import LIMIT, SILENCE, STOP
from rig.stop_proof import Way

EDGES_AT_LEAST = 6
"""So many edges must be counted that half of them, give or take one, is not all of them."""

TURNED_WITHIN = 0.25
"""How far a hand may be off, in shares of what it was asked to turn; always one edge."""

STEPS_SEEN = 2.0
"""A change of the mean by so many steps of one conversion is a change: one step is linearity."""

RPM_PER_VOLT_FROM, RPM_PER_VOLT_TO = 0.6, 1.5
"""Shares of the motor's rpm per volt that little throttle may show: load and resistance take some,
a controller's own throttle curve moves it both ways. Common practice, no source."""

HOST_SLACK_S = 0.15
"""What this computer and an adapter may add to a time."""

EDGES_WITHIN_S = 0.2


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. `good` is None where it cannot be told."""

    what: str
    good: bool | None
    words: str

    @property
    def verdict(self) -> str:
        """In one word or two."""
        return {True: "good", False: "WRONG", None: "cannot tell"}[self.good]


def turns_to_ask(pulses: int) -> int:
    """Turns by hand that give enough edges to tell half from all."""
    return max(1, math.ceil(EDGES_AT_LEAST / pulses))


def turned(edges: int, pulses: int, turns: int) -> Finding:
    """`edges` came while a hand turned the rotor `turns` times, at `pulses` per turn."""
    expected = pulses * turns
    seen = f"{turns} by hand, {edges / pulses:.1f} on the screen ({edges} edges of {expected})"

    def near(edges_expected: float) -> bool:
        return abs(edges - edges_expected) <= max(1.0, TURNED_WITHIN * edges_expected)

    look = ""
    if near(expected):
        return Finding("turns", True, seen)
    if edges == 0:
        look = "the tachometer is dead: its supply, its distance to the marks, its wire"
    elif near(2 * expected):
        look = "counted double: both edges of a mark, or `pulses_per_revolution` is half"
    elif near(expected / 2):
        look = "counted half: a mark is not seen, or `pulses_per_revolution` is double"
    else:
        look = "marks that are missed, or light and noise counted as marks"
    if edges:
        look += f". If you did not turn it {turns} times, check again"
    return Finding("turns", False, f"{seen}: {look}")


def direction(rest_a: float, driven_a: float, step_a: float) -> Finding:
    """Whether the current goes up when the motor is driven."""
    change_a = driven_a - rest_a
    seen = f"{rest_a:.2f} A at rest, {driven_a:.2f} A driven"
    if not math.isfinite(change_a):
        return Finding("current", None, "there is no reading")
    if change_a > STEPS_SEEN * step_a:
        return Finding("current", True, seen)
    if change_a < -STEPS_SEEN * step_a:
        look = "it goes the wrong way: shunt or amplifier reversed. Limits on it are blind"
        return Finding("current", False, f"{seen}: {look}")
    look = (
        "the motor turns without it: shunt reversed (an amplifier without negative readings shows "
        "0 then), open, or too large for so little current. Until that is known, limits are blind"
    )
    return Finding("current", False, f"{seen}: {look}")


def rpm_per_volt(
    speed_rpm: float, voltage_v: float, throttle_pct: float, given: float | None
) -> Finding:
    """Speed over the volts that the throttle passes on, compared with the motor's own if given."""
    passed_v = voltage_v * throttle_pct / 100.0
    if not (speed_rpm > 0.0 and passed_v > 0.0):
        return Finding("rpm per volt", None, "there is no speed or no voltage")
    found = speed_rpm / passed_v
    seen = f"about {found:.0f} at {throttle_pct:g} % throttle"
    if given is None:
        seen += "; compare with the motor's (`[motor]` in stand.toml, or --rpm-per-volt)"
        return Finding("rpm per volt", None, seen)
    seen += f", the motor has {given:g}"
    if found > RPM_PER_VOLT_TO * given:
        look = "edges counted double, voltage read too low, or the controller gives more than told"
        return Finding("rpm per volt", False, f"{seen}: {look}")
    if found < RPM_PER_VOLT_FROM * given:
        look = "marks missed, voltage read too high, or the controller gives less than told"
        return Finding("rpm per volt", False, f"{seen}: {look}")
    return Finding("rpm per volt", True, seen)


def sag(rest_v: float, driven_v: float, step_v: float) -> Finding:
    """Whether the voltage falls when current is drawn, where a step of the converter shows it."""
    fall_v = rest_v - driven_v
    seen = f"{rest_v:.2f} V at rest, {driven_v:.2f} V driven"
    if not math.isfinite(fall_v):
        return Finding("sag", None, "there is no reading")
    if fall_v < -STEPS_SEEN * step_v:
        look = "it rises: ground offset, or the divider follows something else"
        return Finding("sag", False, f"{seen}: {look}")
    if fall_v <= STEPS_SEEN * step_v:
        return Finding("sag", None, f"{seen}: too little for the converter's step")
    return Finding("sag", True, seen)


def way_of(ended: Ended, line_hz: int, *, on_edges: bool = False) -> Way:
    """What a drive that ended shows of the way to stop that was tried in it."""
    seen = ended.seen
    if seen is None:
        return Way(False, words=f"not tried: {ended.cause}"[:200])
    cut_ms, fell_ms = _ms(seen.cut_s), _ms(seen.fell_s)
    trouble = _trouble(seen, line_hz, on_edges)
    if not trouble and ended.exit_code:
        trouble = ended.cause
    return Way(not trouble, cut_ms, fell_ms, trouble[:200])


def _trouble(seen: Seen, line_hz: int, on_edges: bool) -> str:
    if seen.cut_s is None:
        return "the board did not cut"
    if seen.fell_s is None:
        return "the board said that it cut, but current or speed did not fall"
    within_s = HOST_SLACK_S + 3.0 / line_hz
    if seen.way == SILENCE:
        within_s += commands.HEARTBEAT_LOST_S
    elif seen.way == LIMIT and on_edges:
        within_s += EDGES_WITHIN_S
    elif seen.way == STOP:
        within_s = PROVE_WITHIN_S
    if seen.cut_s > within_s:
        return f"too late: the board cut after {seen.cut_s:.2f} s"
    return ""


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else round(1000.0 * seconds, 1)
