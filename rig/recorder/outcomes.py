"""Every outcome of a run: its exit codes, what it means, and what to do.

`rig help outcomes` is made from this table. A test compares it with the outcomes in the code.
"""

from __future__ import annotations

from typing import NamedTuple

from rig.errors import DISK_REFUSED, DONE, LINK_LOST, STOPPED, USAGE
from rig.vocabulary import RunOutcome

BY_HAND = "**Disconnect the supply by hand, now.**"


class Meaning(NamedTuple):
    """Of an outcome. Without exit codes it is one that only an imported file can have."""

    exit_codes: tuple[int, ...]
    means: str
    to_do: str


OUTCOMES = {
    RunOutcome.DONE: Meaning((DONE,), "The run is complete.", ""),
    RunOutcome.OPERATOR: Meaning(
        (STOPPED,), "The operator stopped the run, or a signal did.", "The capture is saved."
    ),
    RunOutcome.TRIPPED: Meaning(
        (STOPPED,),
        "A limit stopped the run, in the recorder or on the board.",
        "The cause names the limit; `rig help alarms` says what to look at.",
    ),
    RunOutcome.FRONT_LOST: Meaning(
        (STOPPED,),
        "The program that watched the run ended or stood still, so the recorder stopped the run.",
        "The capture is saved. Run again, in a terminal that stays open.",
    ),
    RunOutcome.NOT_ARMED: Meaning(
        (STOPPED,), "The stand is not fit to be armed.", "`rig check` says what to look at."
    ),
    RunOutcome.NOT_ZEROED: Meaning(
        (STOPPED,),
        "The zeros that were asked for could not be taken.",
        "Let nothing flow, or run without --zero.",
    ),
    RunOutcome.SETTINGS: Meaning(
        (USAGE,), "stand.toml does not fit the board.", "The message names the key."
    ),
    RunOutcome.LINK_LOST: Meaning(
        (LINK_LOST,),
        "The board did not answer, could not be heard any more, or was reset; or the recorder or "
        "its port could not go on.",
        "Check cable, port and supply. A board cuts the drive when it hears nothing for 0.5 s.",
    ),
    RunOutcome.STOP_NOT_SEEN: Meaning(
        (LINK_LOST,),
        "The link was lost while the motor was driven: nobody saw it stop.",
        f"If the motor still turns: {BY_HAND}",
    ),
    RunOutcome.STOP_NOT_EFFECTIVE: Meaning(
        (LINK_LOST,), "A stop was sent, and current or speed did not fall.", BY_HAND
    ),
    RunOutcome.RECORDER_LOST: Meaning(
        (LINK_LOST,),
        "The recorder process died or does not answer: the run is unprotected.",
        f"If the motor still turns: {BY_HAND} Then `rig salvage` makes a capture of the journal.",
    ),
    RunOutcome.RECORDER_FAILED: Meaning(
        (LINK_LOST,),
        "The recorder failed while no motor was driven.",
        "Report it, with the journal.",
    ),
    RunOutcome.NOT_PROVEN: Meaning(
        (LINK_LOST,),
        "In `rig check --turn`: this way to stop did not stop the motor in time.",
        "Do not run before every way is proven.",
    ),
    RunOutcome.DISK: Meaning(
        (DISK_REFUSED,),
        "The disk refused the journal, or the journal had to move.",
        "Make room or choose another folder with --out; `rig salvage` keeps what is there.",
    ),
    RunOutcome.CUT_OFF: Meaning(
        (), "Of a salvaged journal: it ends in mid-run.", "The rows up to there are good."
    ),
    RunOutcome.IMPORTED: Meaning((), "Of a terminal log: nothing says how the run ended.", ""),
}

EXIT_CODES = {
    DONE: RunOutcome.DONE.value,
    USAGE: "usage, settings, or an input file that cannot be read",
    STOPPED: "a limit or the operator stopped the run, or the stand was not fit to be armed",
    LINK_LOST: "the link was lost, the board did not answer, another program holds the port, a "
    "stop did not take effect, or a check found a fault",
    DISK_REFUSED: "the disk refused, or the output folder is gone",
}
