"""The words that captures, journals and JSON hold, each in one place.

Each is a plain string with a name: it compares, is written and is printed as that string. The
values must not change, since files hold them.
"""

from __future__ import annotations

from enum import StrEnum


class _Word(StrEnum):
    def __repr__(self) -> str:
        return repr(self.value)


class State(_Word):
    """Where a run stands."""

    LINKING = "linking"
    READY = "ready"
    ARMING = "arming"
    ARMED = "armed"
    RUNNING = "running"
    STOPPING = "stopping"
    UNPROVEN = "unproven"
    COASTING = "coasting"
    ENDED = "ended"


GUARDED = frozenset({State.ARMING, State.ARMED, State.RUNNING, State.STOPPING, State.UNPROVEN})
"""States in which limits are judged, and a link must not be lost in silence."""


class RunOutcome(_Word):
    """How a run ended."""

    DONE = "done"
    TRIPPED = "tripped"
    OPERATOR = "operator"
    LINK_LOST = "link lost"
    FRONT_LOST = "front lost"
    STOP_NOT_SEEN = "stop not seen"
    STOP_NOT_EFFECTIVE = "stop not effective"
    RECORDER_FAILED = "recorder failed"
    RECORDER_LOST = "recorder lost"
    DISK = "disk"
    SETTINGS = "settings"
    NOT_ARMED = "not armed"
    NOT_ZEROED = "not zeroed"
    NOT_PROVEN = "not proven"
    CUT_OFF = "cut off"
    """The journal has no end: its recorder died."""
    IMPORTED = "imported"
    """A terminal log: nobody said how the run ended."""


MAY_STILL_TURN = frozenset(
    {RunOutcome.RECORDER_LOST, RunOutcome.STOP_NOT_EFFECTIVE, RunOutcome.STOP_NOT_SEEN}
)
"""RunOutcomes after which nobody has seen that the motor stands still."""

ASKED_FOR = frozenset({RunOutcome.DONE, RunOutcome.OPERATOR})
"""Outcomes of runs that ended as planned, or when the operator wished."""

UNKNOWN_PHASE = "unknown"
PHASES: tuple[str, ...] = (
    RunOutcome.IMPORTED.value,
    *(state.value for state in State),
    UNKNOWN_PHASE,
)
"""The phases of a capture, in the order of their codes: lines that nobody watched, the states of a
run, and a word of a later version."""


class Severity(_Word):
    """What an alarm asks for."""

    WARNING = "warning"
    TRIP = "trip"
    CLEARED = "cleared"


class AlarmState(_Word):
    """An alarm's state in the words of ISA-18.2; a trip is latched."""

    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal, unacknowledged"
    LATCHED = "latched, unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched, acknowledged"


UNACKNOWLEDGED = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED})
"""States of alarms that the operator has not confirmed."""

STALE = "stale"
"""The cause of a trip: no new line for too long."""


class Rank(_Word):
    """How a notice on the screen is shown, from quiet to danger."""

    CALM = "calm"
    TODO = "todo"
    WARNING = "warning"
    TRIP = "trip"
    DANGER = "danger"
