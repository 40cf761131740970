"""What the parts of a session share: where the run stands, and what is known of the board.

The parts (linking, arming, driving, ending, link_loss) each hold one stretch of the run's way.
They change the state only by `move`, which asks the table in `rig.recorder.states`.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.protocol import commands
from rig.protocol.records import Hello
from rig.recorder import verdicts
from rig.recorder.before_arming import BeforeArming
from rig.recorder.conversation import Conversation
from rig.recorder.introduction import Introduction
from rig.recorder.lines import Lines
from rig.recorder.messages import Ended, Event, Plan
from rig.recorder.notes import Notes
from rig.recorder.readings import Readings
from rig.recorder.states import Happening, after
from rig.recorder.steps import Steps
from rig.recorder.trial import Trial
from rig.stand.limits import Alarm, Guard
from rig.stand.plausibility import Plausibility
from rig.stand.sampler import Sampler
from rig.vocabulary import State


class Run:
    """A run in progress. `ended` is set by its last act."""

    def __init__(
        self,
        plan: Plan,
        now_s: float,
        *,
        send: Callable[[bytes], None],
        keep: Callable[[bytes], None],
        tell: Callable[[Event], None],
    ) -> None:
        self.plan, self.send = plan, send
        self.notes = Notes(keep, tell, now_s)
        self.state = State.LINKING
        self.cause = "waiting for the board"
        self.verdict = verdicts.COMPLETE
        """How the run will have ended, as far as is known."""
        self.ended: Ended | None = None
        self.began_s = self.since_s = self.now_s = now_s
        """When the run began, when its state did, and the time of what came last."""
        self.started_s: float | None = None
        """When the motor was started."""
        self.lines = Lines(now_s)
        self.talk = Conversation()
        self.board = Introduction()
        self.sampler: Sampler | None = None
        self.rest: BeforeArming | None = None
        self.plausibility: Plausibility | None = None
        self.guard: Guard | None = None
        self.readings = Readings(())
        self.throttle_pct: float | None = None
        self.steps = Steps(plan.throttle)
        self.trial: Trial | None = None
        self.armed = False
        """The board said that it was armed by this run: from here on its cuts are ours."""

    def move(self, happening: Happening, cause: str, now_s: float) -> None:
        """Raises IllegalEventError for a step that the table of states does not have."""
        following = after(self.state, happening)
        self.state, self.cause, self.since_s = following, cause, now_s
        self.notes.remark("state", {"state": following.value, "cause": cause}, now_s)

    def command(self, command: commands.Command, now_s: float) -> None:
        """Send a command, and note it in the journal."""
        line = self.talk.tell(command, now_s)
        self.send(line)
        self.notes.remark("told", {"line": line.decode("ascii").strip()}, now_s)

    def report(self, alarm: Alarm, now_s: float) -> None:
        """An alarm, with the state in which it came."""
        self.notes.report(alarm, self.state.value, now_s)

    def begin_lines(self, hello: Hello, sampler: Sampler) -> None:
        """Count and time the lines of this boot afresh; limits of another boot are void."""
        self.sampler = sampler
        self.lines.begin_anew()
        self.readings.begin_anew()
        self.guard = None
        self.look_at_rest(hello, sampler)

    def look_at_rest(self, hello: Hello, sampler: Sampler) -> None:
        """Collect what the stand reads at rest, from nothing on."""
        self.rest = BeforeArming(self.plan, hello, sampler)
        self.plausibility = Plausibility(self.plan.stand, sampler)

    @property
    def board_s(self) -> float:
        """The board's clock at its newest line."""
        return self.readings.newest.time_s if self.readings.newest else 0.0

    @property
    def obeys(self) -> bool:
        """Whether the board can cut the drive."""
        return self.board.hello is not None and self.board.hello.can_stop

    @property
    def has_throttle(self) -> bool:
        """Whether the board drives the throttle; otherwise the operator's hand does."""
        return self.board.hello is not None and self.board.hello.can_throttle
