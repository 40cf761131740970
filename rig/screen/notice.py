"""The one thing the operator must know right now, in words. Pure.

The stop that did not take effect, and an unprotected run, come before everything; then
what is not acknowledged; then what to do next.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.recorder.messages import Ended, Event, Snapshot
from rig.stand.findings import REFUSE, Finding
from rig.vocabulary import GUARDED, MAY_STILL_TURN, UNACKNOWLEDGED, AlarmState, Rank, State

MOST_SHOWN = 2
"""Findings at rest for which the banner has room."""

BY_HAND = "DISCONNECT THE SUPPLY BY HAND, NOW."

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
    """What is shown, and how; `lines` say it."""

    rank: Rank
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
    if ended is not None and ended.outcome in MAY_STILL_TURN:
        return Notice(Rank.DANGER, (f"{BY_HAND}", ended.cause))
    if snapshot is None:
        return Notice(Rank.CALM, ("Starting the recorder.",))
    if snapshot.state == State.UNPROVEN:
        return Notice(Rank.DANGER, ("THE STOP DID NOT TAKE EFFECT", BY_HAND))
    if unseen:
        newest = unseen[-1]
        trip = next((event for event in unseen if event.alarm is not None), newest)
        lines = [trip.text] + ([newest.text] if newest is not trip else [])
        return Notice(Rank.TRIP, (*lines, "k acknowledges"))
    if quitting:
        return Notice(Rank.TODO, ("Stopping, then leaving.",))
    waiting = [a for a in snapshot.active if a.state in UNACKNOWLEDGED]
    if waiting:
        more = f"  (and {len(waiting) - 1} more)" if len(waiting) > 1 else ""
        state = "" if waiting[0].state == AlarmState.UNACKNOWLEDGED else f" [{waiting[0].state}]"
        return Notice(Rank.WARNING, (f"{waiting[0].alarm.text}{state}{more}  k acknowledges",))
    if snapshot.instruction:
        return Notice(Rank.TODO, (f"NEXT, BY HAND: {snapshot.instruction}",))
    if unproven and snapshot.state == State.READY:
        return Notice(Rank.WARNING, (unproven, *_hint(snapshot).lines))
    return _hint(snapshot)


def _hint(snapshot: Snapshot) -> Notice:
    match snapshot.state:
        case State.LINKING:
            return Notice(Rank.CALM, (snapshot.cause,))
        case State.READY:
            if snapshot.findings is None:
                return Notice(Rank.CALM, ("Looking at the stand at rest.",))
            if snapshot.findings:
                return Notice(Rank.WARNING, _findings(snapshot.findings))
            return Notice(Rank.CALM, ("Zero check good. Clear of the propeller? a arms.",))
        case State.ARMED:
            return Notice(Rank.TODO, ("Armed: r runs the motor, Esc disarms.",))
        case State.RUNNING:
            left_s = snapshot.remaining_s
            left = "until stopped" if left_s is None else f"{left_s:.0f} s left"
            return Notice(Rank.CALM, (f"{left}. Esc or Space stops.",))
        case State.COASTING:
            return Notice(Rank.CALM, ("Temperatures peak now. e ends the recording.",))
    return Notice(Rank.CALM, (snapshot.cause,))


def _findings(findings: tuple[Finding, ...]) -> tuple[str, ...]:
    """The two that matter most in full, the others counted; refusals come first."""
    shown = [
        f"{'WILL NOT ARM: ' if finding.severity == REFUSE else 'Zero check: '}{finding.sentence}"
        for finding in findings[:MOST_SHOWN]
    ]
    more = len(findings) - MOST_SHOWN
    return (*shown, f"and {more} more; `rig check` lists all") if more > 0 else tuple(shown)


def must_stop_before_leaving(snapshot: Snapshot | None) -> bool:
    """Whether the motor may be turning."""
    return snapshot is not None and snapshot.state in GUARDED
