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


class Outcome(_Word):
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
    {Outcome.RECORDER_LOST, Outcome.STOP_NOT_EFFECTIVE, Outcome.STOP_NOT_SEEN}
)
"""Outcomes after which nobody has seen that the motor stands still."""

PHASES: tuple[str, ...] = (Outcome.IMPORTED, *State)
"""The phases of a capture: the states of the run, or one for all lines of a terminal log."""


class Severity(_Word):
    """What an alarm asks for."""

    WARNING = "warning"
    TRIP = "trip"
    CLEARED = "cleared"


class Rank(_Word):
    """How a notice on the screen is shown, from quiet to danger."""

    CALM = "calm"
    TODO = "todo"
    WARNING = "warning"
    TRIP = "trip"
    DANGER = "danger"
