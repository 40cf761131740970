"""The states of a run, as one table that can be checked by eye.

A run is linked, made ready, armed in two separate steps, run, stopped and watched until it
is cold enough. Four things are worth saying about the table:

* There is no way from RUNNING to COASTING but through STOPPING. A stop is proven, not
  assumed: STOPPING is left for COASTING only when the current and the speed were seen to
  fall, and for UNPROVEN when they were not in good time. UNPROVEN is not an end: the stop
  line is repeated there for as long as the motor turns.
* STOP is allowed in every state in which a motor could turn, also before we believe that
  it does. Stopping a motor that stands still is harmless.
* Zeros are taken while READY only, before the limits are sent: these are counts less zero. The
  run stays READY, and does not arm before each zero is answered.
* Nothing leads back. A run that was stopped is over; the next one is a new run with a new
  journal, so that no capture ever holds two.

What the table lacks raises. Where an event may come at a time when it means nothing (an
operator who arms twice), whoever receives it asks `allows` first and says why it is ignored.
"""

from __future__ import annotations

from enum import StrEnum

from rig.vocabulary import State


class Happening(StrEnum):
    """What moves a run from one state to the next."""

    IDENTIFIED = "the board has introduced itself"
    ZERO = "told to take zeros"
    ARM = "told to arm"
    LIMITS_HELD = "the board holds the limits and is armed"
    START = "told to start"
    STOP = "told to stop"
    FELL = "current and speed fell"
    DID_NOT_FALL = "current or speed did not fall"
    COLD = "standstill and heat soak are over"
    GIVEN_UP = "nothing more can be recorded"


TABLE: dict[tuple[State, Happening], State] = {
    (State.LINKING, Happening.IDENTIFIED): State.READY,
    (State.READY, Happening.ZERO): State.READY,
    (State.READY, Happening.ARM): State.ARMING,
    (State.ARMING, Happening.LIMITS_HELD): State.ARMED,
    (State.ARMED, Happening.START): State.RUNNING,
    (State.READY, Happening.STOP): State.STOPPING,
    (State.ARMING, Happening.STOP): State.STOPPING,
    (State.ARMED, Happening.STOP): State.STOPPING,
    (State.RUNNING, Happening.STOP): State.STOPPING,
    (State.STOPPING, Happening.FELL): State.COASTING,
    (State.STOPPING, Happening.DID_NOT_FALL): State.UNPROVEN,
    (State.UNPROVEN, Happening.FELL): State.COASTING,
    (State.COASTING, Happening.COLD): State.ENDED,
} | {(state, Happening.GIVEN_UP): State.ENDED for state in State if state is not State.ENDED}

HEARTBEATS = frozenset({State.ARMING, State.ARMED, State.RUNNING})
"""States in which the board is kept from cutting by itself."""


STOPPED_STATES = frozenset({State.STOPPING, State.UNPROVEN, State.COASTING})
"""States after the stop: what the board reports now can still change the verdict."""


class IllegalEventError(Exception):
    """An event came in a state in which the table has no place for it: a mistake of ours."""


def allows(state: State, happening: Happening) -> bool:
    """Whether `happening` means anything in `state`."""
    return (state, happening) in TABLE


def after(state: State, happening: Happening) -> State:
    """The next state. Raises IllegalEventError for what the table does not have."""
    try:
        return TABLE[state, happening]
    except KeyError:
        raise IllegalEventError(f"{happening.name} in state {state.name}") from None
