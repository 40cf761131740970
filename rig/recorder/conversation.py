"""Commands told to the board, and the answers that are still owed.

Pure: the session says what time it is and sends the bytes that come out.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.protocol import commands
from rig.protocol.records import NUMBER_BITS, Answer

AGAIN_AFTER_S = 0.15
"""An answer that has not come by now may be lost: the command is told again."""

OVERDUE_AFTER_S = 1.0
"""A board that has not answered by now does not answer."""


@dataclass(slots=True)
class _Owed:
    command: commands.Command
    first_s: float
    last_s: float


class Conversation:
    """Numbers the commands and keeps account of answers. Heartbeats are not chased."""

    def __init__(self) -> None:
        self._number = 0
        self._owed: dict[int, _Owed] = {}

    def tell(self, command: commands.Command, now_s: float) -> bytes:
        """The bytes that tell `command`."""
        self._number = (self._number + 1) % 2**NUMBER_BITS
        if isinstance(command, commands.Stop):
            # Nothing told before a stop may be told again after it.
            self._owed.clear()
        if not isinstance(command, commands.Beat):
            self._owed[self._number] = _Owed(command, now_s, now_s)
        return _bytes(command, self._number)

    def hear(self, answer: Answer) -> commands.Command | None:
        """The command that `answer` settles, if it was owed."""
        owed = self._owed.pop(answer.number, None)
        return owed.command if owed else None

    def again(self, now_s: float) -> bytes:
        """Commands to tell once more, under their old numbers."""
        lines = []
        for number, owed in self._owed.items():
            if now_s - owed.last_s >= AGAIN_AFTER_S:
                owed.last_s = now_s
                lines.append(_bytes(owed.command, number))
        return b"".join(lines)

    def overdue(self, now_s: float) -> commands.Command | None:
        """A command that the board has left unanswered for too long."""
        for owed in self._owed.values():
            if now_s - owed.first_s >= OVERDUE_AFTER_S:
                return owed.command
        return None

    def forget(self) -> None:
        """Expect no more answers."""
        self._owed.clear()


def _bytes(command: commands.Command, number: int) -> bytes:
    if isinstance(command, commands.Stop):
        return commands.stop_lines(number)
    return commands.line(command, number)
