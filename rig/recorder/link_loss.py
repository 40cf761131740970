"""The link watched: a board that is not heard is stopped, and after a stop waited for."""

from __future__ import annotations

from rig.protocol import commands
from rig.recorder import verdicts
from rig.recorder.ending import Ending
from rig.recorder.run import Run
from rig.vocabulary import State

SILENT_AFTER_S = 2.0
"""Without a line for so long, the link is lost."""

LINK_BACK_WITHIN_S = 10.0
"""After a stop, a lost link is waited for so long, to record the coast and the soak."""


class LinkLoss:
    """Whether the board of one run is still heard."""

    def __init__(self, run: Run, ending: Ending) -> None:
        self._run, self._ending = run, ending

    def on_time(self, now_s: float) -> None:
        """Look when the newest line came."""
        lines = self._run.lines
        if lines.lost_since_s is not None:
            self._await(lines.lost_since_s, now_s)
        elif now_s - lines.newest_s >= SILENT_AFTER_S:
            self.lose(f"no line for {SILENT_AFTER_S:g} s", now_s)

    def lose(self, reason: str, now_s: float) -> None:
        """The board is not heard any more. After a stop it is waited for, never to drive."""
        run = self._run
        if run.state in (State.LINKING, State.READY):
            self._ending.give_up(verdicts.link_lost(reason), now_s)
            return
        if run.lines.lost_since_s is not None or run.ended:
            return
        run.lines.lost_since_s = now_s
        if run.state is State.COASTING:
            run.notes.say(f"The coast is not seen: {reason}", now_s)
            return
        run.notes.say(
            "THE LINK IS LOST while the motor may be turning: the board cuts by itself "
            f"{commands.HEARTBEAT_LOST_S:g} s after it last heard us, but nobody here can "
            f"see it. {verdicts.IF_IT_TURNS}",
            now_s,
            loud=True,
        )
        self._ending.not_complete(verdicts.link_lost(reason), now_s)
        self._ending.stop(verdicts.link_lost(reason), now_s)

    def come_back(self, now_s: float) -> None:
        """The port is open again: the stop goes out once more, and nothing else."""
        run = self._run
        run.notes.remark("mark", {"text": "the port is open again"}, now_s)
        if run.state in (State.STOPPING, State.UNPROVEN):
            self._ending.send_stop(now_s)
            run.talk.forget()

    def _await(self, lost_s: float, now_s: float) -> None:
        run = self._run
        if run.lines.newest_s > lost_s:
            run.lines.lost_since_s = None
            run.notes.say("The board is heard again.", now_s)
        elif now_s - lost_s >= LINK_BACK_WITHIN_S:
            if run.state is State.COASTING:
                self._ending.end(now_s)
            else:
                self._ending.give_up(verdicts.stop_not_seen(run.verdict.cause), now_s)
