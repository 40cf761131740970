"""One way to stop a running motor, tried on purpose: a stop, silence, a limit, the stop input.

Sans I/O: the session says what time it is. For `stop` the session sends a stop. For the other
three it sends none: the board must cut by itself, and current and speed must fall, before the
session's own stop goes out. That stop comes in any case: when the fall was seen, or when it did
not come in time. All other reasons to stop stay as they are in any run.

What was seen is timed by the board's clock (`board_s`, of the newest line): this computer may be
late to read, and the board's promises are its own. A board whose clock hardly moves is not waited
for any longer than `PATIENCE` times as long by ours.
"""

from __future__ import annotations

from rig.protocol import commands
from rig.recorder.messages import Seen
from rig.recorder.proof import PROVE_WITHIN_S

STOP, SILENCE, LIMIT, STOP_INPUT = "stop", "silence", "limit", "stop input"

EXPECTED = {STOP: "stop", SILENCE: "heartbeat", LIMIT: "limit", STOP_INPUT: "button"}
"""Each way, and the cause that the board must give for its cut."""

CUT_WITHIN_S = {SILENCE: commands.HEARTBEAT_LOST_S + 0.5, LIMIT: 1.0, STOP_INPUT: 20.0}
"""Without a cut for so long the way has failed, and a stop is sent. A hand gets 20 s."""

PATIENCE = 4.0


class Trial:
    """What was seen of `way`, tried from `now_s` on, when the board's clock was at `board_s`."""

    def __init__(self, way: str, now_s: float, board_s: float) -> None:
        self.way = way
        self.expects = EXPECTED[way]
        self._began_s = now_s
        self._board_s = board_s
        self._cut_s: float | None = None
        self._fell_s: float | None = None

    @property
    def is_silent(self) -> bool:
        """Whether the host must say nothing."""
        return self.way == SILENCE

    @property
    def was_cut(self) -> bool:
        """Whether the board has said that it cut."""
        return self._cut_s is not None

    def saw_cut(self, board_s: float) -> None:
        """The board said that it cut, for the cause that was expected."""
        self._cut_s = board_s if self._cut_s is None else self._cut_s

    def saw_fall(self, board_s: float) -> None:
        """Current and speed have fallen."""
        self._fell_s = board_s

    def is_overdue(self, now_s: float, board_s: float) -> bool:
        """Whether the cut, or the fall after it, should have been seen by now."""
        if self.way == STOP or self._fell_s is not None:
            return False
        within_s = CUT_WITHIN_S[self.way]
        if self._cut_s is not None:
            within_s = self._cut_s - self._board_s + PROVE_WITHIN_S
        return board_s - self._board_s > within_s or now_s - self._began_s > PATIENCE * within_s

    def seen(self) -> Seen:
        """Both times. For the stop input they count from the board's report of the cut."""
        began_s = self._cut_s if self.way == STOP_INPUT else self._board_s

        def since(moment_s: float | None) -> float | None:
            return None if moment_s is None or began_s is None else moment_s - began_s

        return Seen(self.way, since(self._cut_s), since(self._fell_s))
