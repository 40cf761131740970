"""One way to stop a running motor, tried on purpose: a stop, silence, a limit, the stop input.

Sans I/O: the session says what time it is. For `stop` the session sends a stop. For the other
three it sends none: the board must cut by itself, and current and speed must fall, before the
session's own stop goes out. That stop comes in any case: when the fall was seen, or when it did
not come in time. All other reasons to stop stay as they are in any run.
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


class Trial:
    """What was seen of `way`, tried from `now_s` on."""

    def __init__(self, way: str, now_s: float) -> None:
        self.way = way
        self.expects = EXPECTED[way]
        self._began_s = now_s
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

    def saw_cut(self, now_s: float) -> None:
        """The board said that it cut, for the cause that was expected."""
        self._cut_s = now_s if self._cut_s is None else self._cut_s

    def saw_fall(self, now_s: float) -> None:
        """Current and speed have fallen."""
        self._fell_s = now_s

    def is_overdue(self, now_s: float) -> bool:
        """Whether the cut, or the fall after it, should have been seen by now."""
        if self.way == STOP:
            return False
        if self._cut_s is None:
            return now_s - self._began_s > CUT_WITHIN_S[self.way]
        return self._fell_s is None and now_s - self._cut_s > PROVE_WITHIN_S

    def seen(self) -> Seen:
        """Both times. For the stop input they count from the board's report of the cut."""
        began_s = self._cut_s if self.way == STOP_INPUT else self._began_s

        def since(moment_s: float | None) -> float | None:
            return None if moment_s is None or began_s is None else moment_s - began_s

        return Seen(self.way, since(self._cut_s), since(self._fell_s))
