"""The board's introduction: its hello and one line per channel, in whatever order they come.

Pure. What makes the host give up on a board is judged here too, since only what has been
heard so far can tell the operator what to look for.
"""

from __future__ import annotations

from dataclasses import replace

from rig.errors import LINK_LOST
from rig.protocol.records import PROTOCOL_VERSION, Channel, Hello
from rig.recorder.messages import Ended
from rig.vocabulary import RunOutcome

IDENTIFY_WITHIN_S = 5.0
"""How long a board may take to introduce itself; one that reboots on opening needs two."""

ASK_EVERY_S = 0.5


class Introduction:
    """What the board has said of itself."""

    def __init__(self) -> None:
        self.hello: Hello | None = None
        self._channels: dict[int, Channel] = {}

    def hear(self, record: Hello | Channel) -> None:
        """Take in one line. A hello of another boot makes all else said void."""
        if isinstance(record, Channel):
            self._channels[record.index] = record
            return
        if self.hello is not None and self.hello.boot != record.boot:
            self._channels.clear()
        self.hello = record

    def channels(self) -> list[Channel] | None:
        """All channels in the order of a data line's counts; None while some are missing."""
        if self.hello is None or sorted(self._channels) != list(range(self.hello.channels)):
            return None
        return [self._channels[index] for index in range(self.hello.channels)]

    def takes_off(self, channel: Channel) -> bool:
        """Take in a zero; whether the line is, but for that, what the board said before."""
        known = self._channels.get(channel.index)
        if known is None or replace(known, zero=channel.zero) != channel:
            return False
        self._channels[channel.index] = channel
        return True

    def label(self, where: str) -> str:
        """What an operator calls the place that a cut report names."""
        names = {str(index): channel.label for index, channel in self._channels.items()}
        return names.get(where, "speed" if where == "e" else where)


def foreign(hello: Hello) -> Ended | None:
    """Why a board that introduced itself cannot be used, if so."""
    if hello.protocol == PROTOCOL_VERSION:
        return None
    return Ended(
        RunOutcome.LINK_LOST,
        LINK_LOST,
        f"the board speaks version {hello.protocol} of the protocol, "
        f"this program version {PROTOCOL_VERSION}",
        "Flash firmware for the version in firmware_protocol.md, or update this program.",
    )


def no_introduction(*, heard_bytes: bool, good_lines: int, baud: int) -> Ended:
    """Why no board was found in time, from what was heard."""
    if not heard_bytes:
        cause = "the board says nothing"
        to_do = "Is it powered, and is this its port? `rig ports` lists the ports."
    elif not good_lines:
        cause = f"bytes come, but no line makes sense at {baud} baud"
        to_do = "Set `baud` in stand.toml to the board's speed; is it a board of ours?"
    else:
        cause = "the board talks but does not introduce itself"
        to_do = "Reset the board; its hello and channel lines have not come."
    return Ended(RunOutcome.LINK_LOST, LINK_LOST, cause, to_do)
