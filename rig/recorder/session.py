"""One run from the first hello to the end: what comes in, and which part of the run it concerns.

Sans I/O: bytes, orders and the time come in; bytes for the board go out through `send`,
lines for the journal through `keep`, news for the operator through `tell`. The clock is
the caller's, so that a test can run an hour in a second.

The order of work for a line that trips a limit is fixed: the stop goes out before anything
is kept, sent to the operator or computed. It stands in `_on_data`: the guard calls
`Ending.stop_at_once` while it checks the sample, and the line is kept after that.

`run` is what all parts share. Each part is a stretch of the run's way: `linking`, `arming`,
`driving`, `ending`, and `link_loss` beside them.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.protocol import commands
from rig.protocol.records import Answer, Channel, Cut, Data, Hello, Status
from rig.protocol.timeline import BoardRestartedError
from rig.recorder import snapshots, verdicts
from rig.recorder.arming import Arming
from rig.recorder.driving import Driving
from rig.recorder.ending import Ending
from rig.recorder.link_loss import LinkLoss
from rig.recorder.linking import Linking
from rig.recorder.messages import (
    Acknowledge,
    ArmRun,
    Ended,
    Event,
    Mark,
    Order,
    Plan,
    Prove,
    SetThrottle,
    Snapshot,
    StartRun,
    StopRun,
    TakeZero,
)
from rig.recorder.run import Run
from rig.recorder.states import HEARTBEATS, STOPPED_STATES
from rig.recorder.trial import STOP
from rig.stand.at_rest import AtRest
from rig.stand.limits import Alarm
from rig.vocabulary import GUARDED, State

_CAUSES = (
    (int(Status.HEARTBEAT), "heartbeat"),
    (int(Status.LIMIT), "limit"),
    (int(Status.WATCHDOG), "watchdog"),
    (int(Status.BUTTON), "button"),
    (int(Status.FAULT), "fault"),
)
_ARMED, _CUT = int(Status.ARMED), int(Status.CUT)
"""Plain numbers, looked at for every line: an IntFlag takes ten times as long."""


class Session:
    """A run in progress."""

    def __init__(
        self,
        plan: Plan,
        now_s: float,
        *,
        send: Callable[[bytes], None],
        keep: Callable[[bytes], None],
        tell: Callable[[Event], None],
    ) -> None:
        self.plan = plan
        self.run = Run(plan, now_s, send=send, keep=keep, tell=tell)
        self._keep = keep
        self._ending = Ending(self.run)
        self._linking = Linking(self.run, self._ending)
        self._arming = Arming(self.run, self._ending)
        self._driving = Driving(self.run, self._ending)
        self._link_loss = LinkLoss(self.run, self._ending)

    @property
    def state(self) -> State:
        """Where the run stands."""
        return self.run.state

    @property
    def cause(self) -> str:
        """Why it stands there."""
        return self.run.cause

    @property
    def ended(self) -> Ended | None:
        """How the run ended; None while it goes on."""
        return self.run.ended

    # What comes in

    def on_bytes(self, data: bytes, now_s: float) -> None:
        """Bytes from the board, as they came."""
        run, decoder = self.run, self.run.lines.decoder
        run.now_s = now_s
        run.lines.heard_bytes = True
        for line in decoder.complete(data).split(b"\n")[:-1]:
            if run.ended:
                return
            # No board may speak for the host: `!` begins the host's own lines.
            kept = b"?" + line if line.startswith(b"!") else line
            record = decoder.decode(line)
            if isinstance(record, Data):
                self._on_data(record, kept, now_s)
                continue
            self._keep(kept + b"\n")
            match record:
                case Answer():
                    self._on_answer(record, now_s)
                case Hello() | Channel():
                    self._on_introduction(record, now_s)
                case Cut():
                    self._on_cut(record.cause, record.where, now_s)

    def on_order(self, order: Order, now_s: float) -> None:
        """What the operator wants."""
        match order:
            case ArmRun():
                self._arming.arm(now_s)
            case TakeZero():
                self._arming.zero(now_s)
            case StartRun():
                self._driving.start(now_s)
            case StopRun(cause):
                self._ending.stop_ordered(cause, now_s)
            case SetThrottle(percent):
                self._driving.set_throttle(percent, now_s)
            case Prove():
                self._driving.try_to_stop(order, now_s)
            case Acknowledge():
                if self.run.guard is not None:
                    self.run.guard.acknowledge()
                self.run.notes.remark("mark", {"text": "alarms acknowledged"}, now_s)
            case Mark(words):
                self.run.notes.remark("mark", {"text": words}, now_s)

    def on_time(self, now_s: float) -> None:
        """Time has passed; called at least every 20 ms."""
        run = self.run
        run.now_s = now_s
        if run.ended:
            return
        if run.state in HEARTBEATS:
            self._driving.beat(now_s)
        again = run.talk.again(now_s)
        if again:
            run.send(again)
            run.notes.remark("told", {"line": "again, what was not answered"}, now_s)
        match run.state:
            case State.LINKING:
                self._linking.on_time(now_s)
            case State.READY:
                self._arming.on_time(now_s)
            case State.ARMED:
                if run.plan.automatic and run.readings.newest:
                    self._driving.start(now_s)
            case State.RUNNING:
                self._driving.on_time(now_s)
            case State.STOPPING | State.UNPROVEN | State.COASTING:
                self._ending.on_time(now_s)
        if not run.ended and run.state is not State.LINKING:
            self._watch(now_s)

    def _watch(self, now_s: float) -> None:
        """What is missing, as opposed to what came: lines, answers, the link."""
        run = self.run
        if run.guard is not None and run.state in GUARDED:
            alarms = run.guard.check_time(now_s, run.lines.newest_s, run.started_s)
            self._ending.stop_on_trip(alarms, now_s)
            for alarm in alarms:
                run.report(alarm, now_s)
        self._arming.look_for_answers(now_s)
        if not run.ended:
            self._link_loss.on_time(now_s)

    def on_front_lost(self, now_s: float) -> None:
        """The process that showed this run to somebody is gone."""
        self._ending.be_orphaned()
        if self.state in (State.LINKING, State.READY):
            self._ending.give_up(verdicts.FRONT_LOST, now_s)
        else:
            self._ending.stop(verdicts.FRONT_LOST, now_s)

    def on_front_silent(self, now_s: float) -> None:
        """The process that shows this run is there, but stands still: nobody watches."""
        if self.state in HEARTBEATS:
            self._ending.stop(verdicts.FRONT_SILENT, now_s)

    def on_link_lost(self, reason: str, now_s: float) -> None:
        """The port is gone."""
        self._link_loss.lose(f"the port is gone: {reason}", now_s)

    def on_link_back(self, now_s: float) -> None:
        """The port is open again."""
        self._link_loss.come_back(now_s)

    def on_failure(self, cause: str, now_s: float) -> None:
        """The recorder itself has failed; this must not fail once more."""
        driven = self.state in GUARDED
        self._ending.give_up((verdicts.stop_not_seen if driven else verdicts.failed)(cause), now_s)

    def on_disk_error(self, verdict: Ended, now_s: float) -> None:
        """The journal can take no more; `verdict` says so."""
        if self.state in (State.LINKING, State.READY, State.COASTING):
            self._ending.give_up(verdict, now_s)
        elif self.state not in (State.STOPPING, State.UNPROVEN):
            self._ending.stop(verdict, now_s)
        else:
            self.run.verdict = verdict

    # The board's lines

    def _on_data(self, data: Data, kept: bytes, now_s: float) -> None:
        run = self.run
        try:
            step = run.lines.accept(data, now_s)
        except BoardRestartedError:
            self._keep(kept + b"\n")
            self._linking.on_restart(now_s)
            return
        if step is None or run.sampler is None:
            self._keep(kept + b"\n")
            return
        sample = run.sampler.sample(step, data)
        alarms: list[Alarm] = []
        if run.guard is not None and run.state in GUARDED:
            # A trip sends the stop here, before all else.
            alarms = run.guard.check(sample.time_s, sample, step.lost)
            self._ending.stop_on_trip(alarms, now_s)
        elif run.plausibility is not None and run.state is State.READY:
            run.plausibility.look_at_rest(sample)
        self._keep(kept + b"\n")
        run.readings.add(sample)
        if run.state is State.READY and run.rest is not None:
            run.rest.add(now_s, step, data, sample)
        for alarm in alarms:
            run.report(alarm, now_s)
        status = sample.status
        if status != _ARMED or not run.armed:
            self._on_status(status, now_s)
        if run.trial is not None and run.state is State.RUNNING:
            self._driving.judge_trial(run.trial, sample, now_s)
        if run.state in STOPPED_STATES:
            self._ending.judge_stop(sample, now_s)

    def _on_status(self, status: int, now_s: float) -> None:
        """The bits of every line count: the cut report itself may have been lost."""
        run = self.run
        if status & _ARMED:
            run.armed = run.armed or run.state in HEARTBEATS
        elif status & _CUT and run.armed:
            causes = [cause for bit, cause in _CAUSES if status & bit]
            if causes or run.state in HEARTBEATS:
                self._on_cut(causes[0] if causes else "unknown", "-", now_s)

    def _on_answer(self, answer: Answer, now_s: float) -> None:
        command = self.run.talk.hear(answer)
        if command is None or isinstance(command, commands.Stop | commands.AskHello):
            return
        if isinstance(command, commands.Zero):
            self._arming.on_zero(answer, now_s)
        elif not answer.accepted:
            self._ending.stop(verdicts.refused(command.word, answer.reason), now_s)
        elif self.state is State.ARMING:
            self._arming.arm_next(command, now_s)

    def _on_introduction(self, record: Hello | Channel, now_s: float) -> None:
        known = self.run.board.hello
        if isinstance(record, Hello) and known is not None and record.boot != known.boot:
            self._linking.on_restart(now_s)
        if isinstance(record, Channel) and self._arming.hear_channel(record):
            return
        if self.state is State.LINKING:
            self._linking.hear(record, now_s)

    def _on_cut(self, cause: str, where: str, now_s: float) -> None:
        run = self.run
        place = f" on {run.board.label(where)}" if where != "-" else ""
        verdict = verdicts.cut_by_board(cause, place)
        trial = run.trial
        if trial is not None and cause == trial.expects:
            if run.state is State.RUNNING or trial.way == STOP:
                trial.saw_cut(run.board_s)
            return
        if cause == "stop":
            return
        if run.state in HEARTBEATS:
            run.notes.remark("mark", {"text": f"the board cut the drive: {cause}{place}"}, now_s)
            self._ending.stop(verdict, now_s)
        elif run.state in STOPPED_STATES:
            # It cut before our stop came, or did not obey it.
            self._ending.not_complete(verdict, now_s)

    # What goes out

    def snapshot(self, now_s: float) -> Snapshot:
        """The run at this moment."""
        return snapshots.snapshot_of(self.run, now_s)

    def at_rest(self, now_s: float) -> AtRest | None:
        """The stand at rest, once enough of it is known, and until it is armed."""
        return snapshots.at_rest(self.run, now_s)

    def remark(self, kind: str, content: dict[str, object], now_s: float) -> None:
        """Put a line of the host's own into the journal."""
        self.run.notes.remark(kind, content, now_s)

    def clock(self, utc: str, now_s: float) -> None:
        """Tie the host's clock to this place in the journal."""
        self.run.notes.remark("clock", {"utc": utc}, now_s)
