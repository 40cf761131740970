"""How a run can end, in words. The outcome is kept in the capture; the cause is a sentence."""

from __future__ import annotations

from rig.errors import DONE, LINK_LOST, STOPPED
from rig.protocol import commands
from rig.recorder.messages import Ended
from rig.vocabulary import RunOutcome

BY_HAND = "Disconnect the supply by hand, now."
IF_IT_TURNS = f"If the motor still turns: {BY_HAND[0].lower()}{BY_HAND[1:]}"

COMPLETE = Ended(RunOutcome.DONE, DONE, "the run is complete")
FRONT_LOST = Ended(RunOutcome.FRONT_LOST, STOPPED, "the program that watched the run is gone")
FRONT_SILENT = Ended(RunOutcome.FRONT_LOST, STOPPED, "the program that watched the run stood still")
BOARD_RESET = Ended(
    RunOutcome.LINK_LOST,
    LINK_LOST,
    "the board was reset in mid-run",
    "Check its supply and wiring; a reset cuts the drive, make sure that it did.",
)

ZERO_NOT_KNOWN = Ended(
    RunOutcome.LINK_LOST,
    LINK_LOST,
    "the board took a zero and did not say what it takes off",
    "Run again: it says so in its introduction.",
)


def not_zeroed(text: str) -> Ended:
    """The zeros that the operator asked for could not be taken."""
    return Ended(RunOutcome.NOT_ZEROED, STOPPED, text, "Let nothing flow, or run without --zero.")


PROVEN_ELSEWHERE = (
    "THE STOP IS NOT PROVEN: it was proven with another board or firmware. "
    "`rig check --turn` proves the stop."
)


def cut_by_board(cause: str, place: str) -> Ended:
    """The board took the drive away by itself; `place` says where, with a leading blank."""
    if cause == "heartbeat":
        text = "the board cut the drive because it no longer heard this program"
        return Ended(RunOutcome.LINK_LOST, LINK_LOST, text)
    return Ended(RunOutcome.TRIPPED, STOPPED, f"the board cut the drive by itself: {cause}{place}")


def not_stopped_by(way: str) -> Ended:
    """A way to stop the motor was tried, and did not stop it in time."""
    return Ended(RunOutcome.NOT_PROVEN, LINK_LOST, f"not stopped by: {way}")


def stalled(seconds: float) -> Ended:
    """This process stood still for so long that the board must have cut."""
    text = (
        f"the recorder stood still for {seconds:.1f} s; a board cuts the drive after "
        f"{commands.HEARTBEAT_LOST_S:g} s of silence"
    )
    return Ended(
        RunOutcome.LINK_LOST, LINK_LOST, text, "Is this computer busy, or was it suspended?"
    )


def link_lost(reason: str) -> Ended:
    """The board cannot be heard any more."""
    return Ended(RunOutcome.LINK_LOST, LINK_LOST, reason, "Check cable and board, then run again.")


def stop_not_seen(reason: str) -> Ended:
    """The motor was driven when the link was lost, and nobody saw it stop."""
    return Ended(RunOutcome.STOP_NOT_SEEN, LINK_LOST, reason, IF_IT_TURNS)


def failed(cause: str) -> Ended:
    """The recorder itself failed while no motor was driven."""
    to_do = "Please report it, with the text above if there is any, and the journal."
    return Ended(RunOutcome.RECORDER_FAILED, LINK_LOST, cause, to_do)


def refused(word: str, reason: str) -> Ended:
    """The board answered no."""
    return Ended(RunOutcome.LINK_LOST, LINK_LOST, f"the board refused {word!r}: {reason}")


def no_answer(word: str) -> Ended:
    """The board answered nothing."""
    cause = f"the board does not answer {word!r}"
    return Ended(RunOutcome.LINK_LOST, LINK_LOST, cause, "Check its receive line.")


def not_effective(cause: str) -> Ended:
    """The stop never took effect; `cause` is why the run was stopped."""
    return Ended(
        RunOutcome.STOP_NOT_EFFECTIVE,
        LINK_LOST,
        f"{cause}; then the stop did not take effect",
        BY_HAND,
    )
