"""The one thing the operator must know right now, in words. Pure.

The stop that did not take effect, and an unprotected run, come before everything; then
what is not acknowledged; then what to do next.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from rig.recorder.messages import Ended, Event, Snapshot
from rig.recorder.proof import REST_CURRENT_A, REST_SPEED_RPM
from rig.recorder.states import GUARDED, State
from rig.stand.quantities import is_temperature, key_of

TEMPERATURES_ALIKE_K = 8.0
"""Sensors of a cold stand differ by less than this: common practice, no source."""

BY_HAND = "DISCONNECT THE SUPPLY BY HAND, NOW."

NOT_KNOWN_TO_STAND = frozenset({"recorder lost", "stop not effective", "stop not seen"})
"""Outcomes after which the motor may still turn."""

STATE_WORDS = {
    State.LINKING: "WAITING FOR THE BOARD",
    State.READY: "AT REST, NOT ARMED",
    State.ARMING: "ARMING",
    State.ARMED: "ARMED",
    State.RUNNING: "RUNNING",
    State.STOPPING: "STOPPING",
    State.UNPROVEN: "STOP NOT PROVEN",
    State.COASTING: "STOPPED, RECORDING THE HEAT",
    State.ENDED: "ENDED",
}


@dataclass(frozen=True, slots=True)
class Notice:
    """`rank` is one of calm, todo, warning, trip, danger; `lines` say it."""

    rank: str
    lines: tuple[str, ...]


def notice(
    snapshot: Snapshot | None,
    unseen: list[Event],
    ended: Ended | None,
    *,
    quitting: bool = False,
    unproven: str = "",
) -> Notice:
    """What to show, from the newest snapshot, the loud events nobody has acknowledged, the end.

    `unproven` is what to say before a run whose stop is not proven.
    """
    if ended is not None and ended.outcome in NOT_KNOWN_TO_STAND:
        return Notice("danger", (f"{BY_HAND}", ended.cause))
    if snapshot is None:
        return Notice("calm", ("Starting the recorder.",))
    if snapshot.state == State.UNPROVEN:
        return Notice("danger", ("THE STOP DID NOT TAKE EFFECT", BY_HAND))
    if unseen:
        newest = unseen[-1]
        trip = next((event for event in unseen if event.alarm is not None), newest)
        lines = [trip.text] + ([newest.text] if newest is not trip else [])
        return Notice("trip", (*lines, "k acknowledges"))
    if quitting:
        return Notice("todo", ("Stopping, then leaving.",))
    waiting = [a for a in snapshot.active if a.state.endswith("unacknowledged")]
    if waiting:
        more = f"  (and {len(waiting) - 1} more)" if len(waiting) > 1 else ""
        state = "" if waiting[0].state == "unacknowledged" else f" [{waiting[0].state}]"
        return Notice("warning", (f"{waiting[0].alarm.text}{state}{more}  k acknowledges",))
    if snapshot.instruction:
        return Notice("todo", (f"NEXT, BY HAND: {snapshot.instruction}",))
    if unproven and snapshot.state == State.READY:
        return Notice("warning", (unproven, *_hint(snapshot).lines))
    return _hint(snapshot)


def _hint(snapshot: Snapshot) -> Notice:
    match snapshot.state:
        case State.LINKING:
            return Notice("calm", (snapshot.cause,))
        case State.READY:
            findings = zero_check(snapshot)
            if findings:
                return Notice("warning", ("Zero check: " + "; ".join(findings) + ".",))
            return Notice("calm", ("Zero check good. Clear of the propeller? a arms.",))
        case State.ARMED:
            return Notice("todo", ("Armed: r runs the motor, Esc disarms.",))
        case State.RUNNING:
            left_s = snapshot.remaining_s
            left = "until stopped" if left_s is None else f"{left_s:.0f} s left"
            return Notice("calm", (f"{left}. Esc or Space stops.",))
        case State.COASTING:
            return Notice("calm", ("Temperatures peak now. e ends the recording.",))
    return Notice("calm", (snapshot.cause,))


def zero_check(snapshot: Snapshot) -> list[str]:
    """What does not read as a stand at rest should; empty when all is well."""
    values = dict(zip(snapshot.columns, snapshot.values, strict=False))
    findings = []
    if abs(values.get("current_a", 0.0)) > REST_CURRENT_A:
        findings.append(f"current reads {values['current_a']:.2f} A at rest")
    if values.get("speed_rpm", 0.0) > REST_SPEED_RPM:
        findings.append(f"the rotor turns at {values['speed_rpm']:.0f} rpm")
    if values.get("voltage_v", 1.0) < 0.5:
        findings.append("there is no supply voltage")
    findings += _odd_temperatures(values)
    return findings


def _odd_temperatures(values: Mapping[str, float]) -> list[str]:
    degc = {column: value for column, value in values.items() if is_temperature(column)}
    missing = [key_of(c) for c, v in degc.items() if math.isnan(v)]
    known = {c: v for c, v in degc.items() if not math.isnan(v)}
    findings = [f"{key} temperature has no reading" for key in missing]
    if known and max(known.values()) - min(known.values()) > TEMPERATURES_ALIKE_K:
        hottest = max(known, key=lambda column: known[column])
        findings.append(f"{key_of(hottest)} is warmer than the rest: still hot from a run?")
    return findings


def must_stop_before_leaving(snapshot: Snapshot | None) -> bool:
    """Whether the motor may be turning."""
    return snapshot is not None and snapshot.state in GUARDED | {State.ARMING}
