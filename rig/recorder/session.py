"""One run from the first hello to the end: what the recorder decides, and when.

Sans I/O: bytes, orders and the time come in; bytes for the board go out through `send`,
lines for the journal through `keep`, news for the operator through `tell`. The clock is
the caller's, so that a test can run an hour in a second.

The order of work for a line that trips a limit is fixed: the stop goes out before anything
is kept, told or reckoned.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

from rig.errors import DONE, STOPPED, RigError
from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.records import (
    Answer,
    Channel,
    Cut,
    Data,
    Hello,
    Status,
)
from rig.protocol.timeline import BoardRestartedError, Timeline
from rig.recorder import verdicts
from rig.recorder.before_arming import BeforeArming, not_armed
from rig.recorder.conversation import Conversation
from rig.recorder.introduction import (
    ASK_EVERY_S,
    IDENTIFY_WITHIN_S,
    Introduction,
    foreign,
    no_introduction,
)
from rig.recorder.messages import (
    Acknowledge,
    ArmRun,
    Ended,
    Event,
    LinkFigures,
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
from rig.recorder.notes import Notes
from rig.recorder.readings import Readings
from rig.recorder.states import (
    GUARDED,
    HEARTBEATS,
    STOPPED_STATES,
    Happening,
    State,
    after,
    allows,
)
from rig.recorder.steps import Steps
from rig.recorder.stopping import UNPROVEN_AT_MOST_S, Stopping
from rig.recorder.trial import STOP, Trial
from rig.recorder.zeroing import Zeroing, why_not
from rig.stand.at_rest import AtRest
from rig.stand.findings import NOTE, Finding
from rig.stand.limits import Alarm, Guard
from rig.stand.plausibility import Plausibility
from rig.stand.reference import moved_words
from rig.stand.sampler import NO_REFERENCE, Sample, Sampler

SILENT_AFTER_S = 2.0
"""Without a line for so long, the link is lost."""

LINK_BACK_WITHIN_S = 10.0
"""After a stop, a lost link is waited for so long, to record the coast and the soak."""

COASTING_AT_MOST_S = 60.0
ORPHAN_SOAK_S = 2.0
"""Heat soak that is still recorded when nobody watches any more."""

FIRST_RATE_AFTER_S = 0.5

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
        self.plan = plan
        self.state = State.LINKING
        self.cause = "waiting for the board"
        self.ended: Ended | None = None
        self._send, self._keep = send, keep
        self._notes = Notes(keep, tell, now_s)
        self._board = Introduction()
        self._began_s = self._now_s = now_s
        self._decoder = Decoder()
        self._talk = Conversation()
        self._timeline = Timeline()
        self._sampler: Sampler | None = None
        self._guard: Guard | None = None
        self._rest: BeforeArming | None = None
        self._plausibility: Plausibility | None = None
        self._readings = Readings(())
        self._to_hold: list[commands.Limit] = []
        self._zeroing = Zeroing()
        self._stopping = Stopping(self._talk, send)
        self._verdict = verdicts.COMPLETE
        self._soak_s = plan.soak_s
        self._throttle_pct: float | None = None
        self._steps = Steps(plan.throttle)
        self._trial: Trial | None = None
        self._armed = False
        """The board said that it was armed by this run: from here on its cuts are ours."""
        self._lost_since_s: float | None = None
        self._heard_bytes = False
        self._last_line_s = now_s
        self._last_asked_s = -math.inf
        self._last_beat_s = -math.inf
        self._state_since_s = now_s
        self._started_s: float | None = None
        self._rest_since_s: float | None = None
        self._rate = _Rate(now_s)
        self._lost_before = 0

    # What comes in

    def on_bytes(self, data: bytes, now_s: float) -> None:
        """Bytes from the board, as they came."""
        self._now_s = now_s
        self._heard_bytes = True
        for line in self._decoder.complete(data).split(b"\n")[:-1]:
            if self.ended:
                return
            # No board may speak for the host: `!` begins the host's own lines.
            kept = b"?" + line if line.startswith(b"!") else line
            record = self._decoder.decode(line)
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
                self._arm(now_s)
            case TakeZero():
                self._zero(now_s)
            case StartRun():
                self._start(now_s)
            case StopRun(cause):
                self._stop_ordered(cause, now_s)
            case SetThrottle(percent):
                if self.state is State.RUNNING:
                    self._steps.give_up()
                    self._drive(percent, now_s)
            case Prove():
                self._try_to_stop(order, now_s)
            case Acknowledge():
                if self._guard is not None:
                    self._guard.acknowledge()
                self._notes.remark("mark", {"text": "alarms acknowledged"}, now_s)
            case Mark(words):
                self._notes.remark("mark", {"text": words}, now_s)

    def _stop_ordered(self, cause: str, now_s: float) -> None:
        verdict = Ended("operator", STOPPED, cause)
        match self.state:
            case State.COASTING:
                self._end(now_s)
            case State.UNPROVEN:
                self._repeat_stop(now_s)
            case State.LINKING:
                self._give_up(verdict, now_s)
            case _:
                self._stop(verdict, now_s)

    def on_time(self, now_s: float) -> None:
        """Time has passed; called at least every 20 ms."""
        self._now_s = now_s
        if self.ended:
            return
        if self.state in HEARTBEATS:
            self._beat(now_s)
        again = self._talk.again(now_s)
        if again:
            self._send(again)
            self._notes.remark("told", {"line": "again, what was not answered"}, now_s)
        in_state_s = now_s - self._state_since_s
        match self.state:
            case State.LINKING:
                self._link(now_s)
            case State.READY:
                if self._rest and self._rest.is_enough(in_state_s):
                    self._when_settled(now_s)
            case State.ARMED:
                if self.plan.automatic and self._readings.newest:
                    self._start(now_s)
            case State.RUNNING:
                self._run(now_s)
            case State.STOPPING:
                by_hand = not self._obeys and self._verdict.exit_code == DONE
                if in_state_s >= self._stopping.prove_within_s(by_hand=by_hand):
                    self._not_proven(now_s)
            case State.UNPROVEN:
                self._repeat_stop(now_s)
                if in_state_s >= UNPROVEN_AT_MOST_S:
                    self._give_up(verdicts.not_effective(self._verdict.cause), now_s)
            case State.COASTING:
                self._coast(now_s, in_state_s)
        self._watch_link(now_s)

    def on_front_lost(self, now_s: float) -> None:
        """The process that showed this run to somebody is gone."""
        self._soak_s = min(self._soak_s, ORPHAN_SOAK_S)
        if self.state in (State.LINKING, State.READY):
            self._give_up(verdicts.FRONT_LOST, now_s)
        else:
            self._stop(verdicts.FRONT_LOST, now_s)

    def on_front_silent(self, now_s: float) -> None:
        """The process that shows this run is there, but stands still: nobody watches."""
        if self.state in HEARTBEATS:
            self._stop(verdicts.FRONT_SILENT, now_s)

    def on_link_lost(self, reason: str, now_s: float) -> None:
        """The port is gone."""
        self._lose_link(f"the port is gone: {reason}", now_s)

    def on_link_back(self, now_s: float) -> None:
        """The port is open again: the stop goes out once more, and nothing else."""
        self._notes.remark("mark", {"text": "the port is open again"}, now_s)
        if self.state in (State.STOPPING, State.UNPROVEN):
            self._send_stop(now_s)
            self._talk.forget()

    def on_failure(self, cause: str, now_s: float) -> None:
        """The recorder itself has failed; this must not fail once more."""
        driven = self.state in GUARDED
        self._give_up((verdicts.stop_not_seen if driven else verdicts.failed)(cause), now_s)

    def on_disk_error(self, verdict: Ended, now_s: float) -> None:
        """The journal can take no more; `verdict` says so."""
        if self.state in (State.LINKING, State.READY, State.COASTING):
            self._give_up(verdict, now_s)
        elif self.state not in (State.STOPPING, State.UNPROVEN):
            self._stop(verdict, now_s)
        else:
            self._verdict = verdict

    def clock(self, utc: str, now_s: float) -> None:
        """Tie the host's clock to this place in the journal."""
        self._notes.remark("clock", {"utc": utc}, now_s)

    # The board's lines

    def _on_data(self, data: Data, kept: bytes, now_s: float) -> None:
        self._last_line_s = now_s
        self._rate.lines += 1
        try:
            step = self._timeline.accept(data)
        except BoardRestartedError:
            self._keep(kept + b"\n")
            self._restarted(now_s)
            return
        if step is None or self._sampler is None:
            self._keep(kept + b"\n")
            return
        sample = self._sampler.sample(step, data)
        alarms: list[Alarm] = []
        if self._guard is not None and self.state in GUARDED:
            alarms = self._guard.check(sample.time_s, sample, step.lost)
            self._stop_on_trip(alarms, now_s)
        elif self._plausibility is not None and self.state is State.READY:
            self._plausibility.look_at_rest(sample)
        self._keep(kept + b"\n")
        self._readings.add(sample)
        if self.state is State.READY and self._rest is not None:
            self._rest.add(now_s, step, data, sample)
        for alarm in alarms:
            self._notes.report(alarm, self.state.value, now_s)
        status = sample.status
        if status != _ARMED or not self._armed:
            self._on_status(status, now_s)
        if self._trial is not None and self.state is State.RUNNING:
            self._judge_trial(self._trial, sample, now_s)
        if self.state in STOPPED_STATES:
            self._judge_stop(sample, now_s)

    def _on_status(self, status: int, now_s: float) -> None:
        """The bits of every line count: the cut report itself may have been lost."""
        if status & _ARMED:
            self._armed = self._armed or self.state in HEARTBEATS
        elif status & _CUT and self._armed:
            causes = [cause for bit, cause in _CAUSES if status & bit]
            if causes or self.state in HEARTBEATS:
                self._on_cut(causes[0] if causes else "unknown", "-", now_s)

    def _on_answer(self, answer: Answer, now_s: float) -> None:
        command = self._talk.hear(answer)
        if command is None or isinstance(command, commands.Stop | commands.AskHello):
            return
        if isinstance(command, commands.Zero):
            self._on_zero(answer, now_s)
        elif not answer.accepted:
            self._stop(verdicts.refused(command.word, answer.reason), now_s)
        elif self.state is State.ARMING:
            self._arm_next(command, now_s)

    def _on_introduction(self, record: Hello | Channel, now_s: float) -> None:
        known = self._board.hello
        if isinstance(record, Hello) and known is not None and record.boot != known.boot:
            self._restarted(now_s)
        before_armed = self.state in (State.READY, State.ARMING)
        if isinstance(record, Channel) and self._zeroing.asked and before_armed:
            if self._sampler is not None and self._board.takes_off(record):
                self._zeroing.hear(record)
                self._sampler.take_zero(record)
                self._look_at_rest_anew()
            return
        if self.state is not State.LINKING:
            return
        self._board.hear(record)
        verdict = foreign(record) if isinstance(record, Hello) else None
        if verdict is not None:
            self._give_up(verdict, now_s)
            return
        channels = self._board.channels()
        if channels is not None:
            self._identified(channels, now_s)

    def _on_cut(self, cause: str, where: str, now_s: float) -> None:
        place = f" on {self._board.label(where)}" if where != "-" else ""
        verdict = verdicts.cut_by_board(cause, place)
        trial = self._trial
        if trial is not None and cause == trial.expects:
            if self.state is State.RUNNING or trial.way == STOP:
                trial.saw_cut(self._board_s)
            return
        if cause == "stop":
            return
        if self.state in HEARTBEATS:
            self._notes.remark("mark", {"text": f"the board cut the drive: {cause}{place}"}, now_s)
            self._stop(verdict, now_s)
        elif self.state in STOPPED_STATES:
            # It cut before our stop came, or did not obey it.
            self._not_complete(verdict, now_s)

    def _restarted(self, now_s: float) -> None:
        """The board was reset. Its outputs are off after a reset, but we look."""
        if self.state is State.LINKING:
            self._timeline = Timeline()
        elif self.state is State.READY:
            self._give_up(verdicts.BOARD_RESET, now_s)
        elif self.state is State.COASTING:
            self._end(now_s)
        else:
            self._stop(verdicts.BOARD_RESET, now_s)
            self._not_complete(verdicts.BOARD_RESET, now_s)
            hello, channels = self._board.hello, self._board.channels()
            if hello is not None and channels is not None:
                self._begin_lines(hello, Sampler(self.plan.stand, hello, channels))

    # The way of a run

    def _link(self, now_s: float) -> None:
        if now_s - self._last_asked_s >= ASK_EVERY_S:
            self._last_asked_s = now_s
            self._talk.forget()
            self._send(self._talk.tell(commands.AskHello(), now_s))
        if now_s - self._began_s >= IDENTIFY_WITHIN_S:
            verdict = no_introduction(
                heard_bytes=self._heard_bytes,
                good_lines=self._decoder.counts.good,
                baud=self.plan.stand.baud,
            )
            self._give_up(verdict, now_s)

    def _identified(self, channels: list[Channel], now_s: float) -> None:
        hello = self._board.hello
        assert hello is not None
        try:
            sampler = Sampler(self.plan.stand, hello, channels)
        except RigError as error:
            cause = f"{error.where}: {error.what}" if error.where else error.what
            self._give_up(Ended("settings", error.exit_code, cause, error.to_do), now_s)
            return
        self._talk.forget()
        self._readings = Readings(sampler.columns)
        self._last_line_s = now_s
        self._begin_lines(hello, sampler)
        self._move(Happening.IDENTIFIED, f"{hello.board} is there", now_s)
        self._compare_with_proof(hello, now_s)
        if not hello.can_stop:
            text = "This board only talks: nothing here can stop the motor, only your hand can."
            self._notes.say(text, now_s, loud=True)

    def _compare_with_proof(self, hello: Hello, now_s: float) -> None:
        """A stop that was proven with another board or firmware is not proven."""
        proof = self.plan.beginning.get("stop_proof")
        if not isinstance(proof, Mapping) or not proof.get("proven"):
            return
        if (proof.get("board"), proof.get("firmware")) != (hello.board, hello.firmware):
            self._notes.say(verdicts.PROVEN_ELSEWHERE, now_s, loud=True)

    def _look_at_rest_anew(self) -> None:
        """What was read before a zero was taken is not what is read after it."""
        if self._board.hello is not None and self._sampler is not None:
            self._rest = BeforeArming(self.plan, self._board.hello, self._sampler)
            self._plausibility = Plausibility(self.plan.stand, self._sampler)

    def _begin_lines(self, hello: Hello, sampler: Sampler) -> None:
        """Count and time the lines of this boot afresh; limits of another boot are void."""
        self._sampler = sampler
        self._rest = BeforeArming(self.plan, hello, sampler)
        self._lost_before += self._timeline.lost
        self._timeline = Timeline()
        self._readings.begin_anew()
        self._guard = None
        self._plausibility = Plausibility(self.plan.stand, sampler)

    def _when_settled(self, now_s: float) -> None:
        if self.plan.zero and not self._zeroing.asked:
            self._zero(now_s)
        elif self.plan.automatic and not self._zeroing.going_on:
            self._arm(now_s)

    def _zero(self, now_s: float) -> None:
        """Take the zeros that the operator asked for, if nothing speaks against it."""
        hello, newest, sampler = self._board.hello, self._readings.newest, self._sampler
        if not allows(self.state, Happening.ZERO) or self._zeroing.going_on:
            return
        if hello is None or newest is None or sampler is None:
            return
        self._zeroing.asked = True
        reason = why_not(hello, sampler.columns, newest, sampler.zeroable)
        if reason:
            self._not_zeroed(reason, now_s)
            return
        self._move(Happening.ZERO, "the board takes zeros", now_s)
        self._zeroing.begin(sampler.zeroable)
        self._zero_next(now_s)

    def _zero_next(self, now_s: float) -> None:
        channel = self._zeroing.next()
        if channel is not None:
            self._command(commands.Zero(channel), now_s)

    def _on_zero(self, answer: Answer, now_s: float) -> None:
        if self.state is not State.READY:
            return
        if not answer.accepted:
            self._not_zeroed(f"the board refused: {answer.reason}", now_s)
            return
        channel = self._zeroing.taken()
        if channel is None:
            # The next run hears it in the board's introduction.
            self._give_up(verdicts.ZERO_NOT_KNOWN, now_s)
            return
        text = f"Zero taken: the board takes {channel.zero} counts off {channel.label!r}."
        self._notes.say(text, now_s)
        self._zero_next(now_s)

    def _not_zeroed(self, reason: str, now_s: float) -> None:
        self._zeroing.give_up()
        text = f"no zero taken: {reason}"
        self._notes.say(text, now_s, loud=True)
        if self.plan.automatic:
            self._give_up(verdicts.not_zeroed(text), now_s)

    def _say_reference(self, newest: Sample, now_s: float) -> None:
        """Whether the readings are corrected for a reference that moved, or cannot be."""
        assert self._sampler is not None
        text = moved_words(self.plan.stand, self._sampler.reference_ratio)
        unknown = any(word == NO_REFERENCE for _, word in newest.faults)
        if unknown:
            text = (
                "The board's reference channel reads nothing usable: current and voltage are not "
                "corrected. Is `count_at_calibration` that of one conversion?"
            )
        if text:
            self._notes.say(text, now_s, loud=unknown)

    def _arm(self, now_s: float) -> None:
        if self.state is not State.READY or self._sampler is None or self._rest is None:
            return
        if self._zeroing.going_on:
            self._notes.say("not armed: a zero is being taken", now_s, loud=True)
            return
        newest = self._readings.newest
        if newest is None or not self._may_arm(self._rest, now_s):
            return
        columns = self._sampler.columns
        self._guard = Guard(self.plan.stand, columns, self._stop_at_once, self._plausibility)
        self._say_reference(newest, now_s)
        self._move(Happening.ARM, "the limits go to the board", now_s)
        hello = self._board.hello
        if hello is None or not hello.can_stop:
            self._move(Happening.LIMITS_HELD, "watching only", now_s)
            return
        self._last_beat_s = -math.inf
        self._to_hold = self._sampler.count_limits() if hello.can_limit else []
        self._arm_next(None, now_s)

    def _may_arm(self, rest: BeforeArming, now_s: float) -> bool:
        """Say what is found at rest; a refusal ends an automatic run."""
        findings = rest.findings(now_s - self._last_line_s)
        verdict = not_armed(findings)
        for finding in findings:
            if finding.alarm is not None:
                self._notes.report(finding.alarm, self.state.value, now_s)
            if finding.severity == NOTE:
                self._notes.say(f"at rest: {finding.sentence}", now_s)
        if verdict is None:
            return True
        self._notes.say(f"{verdict.cause} {verdict.to_do}", now_s, loud=True)
        if self.plan.automatic:
            self._give_up(verdict, now_s)
        return False

    def _arm_next(self, settled: commands.Command | None, now_s: float) -> None:
        """Each limit in turn, each answered, and only then the board is armed."""
        if isinstance(settled, commands.Arm):
            self._armed = True
            self._move(Happening.LIMITS_HELD, "the board is armed", now_s)
        elif self._to_hold:
            self._command(self._to_hold.pop(0), now_s)
        elif self._board.hello is not None:
            self._command(commands.Arm(self._board.hello.boot), now_s)

    def _start(self, now_s: float) -> None:
        if self.state is State.ARMED:
            self._move(Happening.START, "the motor is running", now_s)
            self._started_s = now_s
            self._say_driven(0.0)
            self._run(now_s)

    def _run(self, now_s: float) -> None:
        """Keep to the planned steps, and stop when the time is over."""
        elapsed_s = now_s - (self._started_s or now_s)
        length_s = self.plan.length_s
        if length_s is not None and elapsed_s >= length_s:
            for alarm in self._guard.check_end() if self._guard is not None else ():
                self._notes.report(alarm, self.state.value, now_s)
            self._stop(self._verdict, now_s)
            return
        overdue = self._talk.overdue(now_s)
        if overdue is not None:
            self._stop(verdicts.no_answer(overdue.word), now_s)
            return
        if self._trial is not None and self._trial.is_overdue(now_s, self._board_s):
            self._stop(verdicts.not_stopped_by(self._trial.way), now_s)
            return
        percent = self._steps.due(elapsed_s)
        if percent is not None:
            self._drive(percent, now_s)

    def _beat(self, now_s: float) -> None:
        """Keep the board from cutting; not once it must have cut while we stood still."""
        silence_s = now_s - self._last_beat_s
        if silence_s < commands.HEARTBEAT_EVERY_S or not self._obeys:
            return
        if self._trial is not None and self._trial.is_silent:
            return
        if commands.HEARTBEAT_LOST_S <= silence_s < math.inf:
            self._stop(verdicts.stalled(silence_s), now_s)
            return
        self._last_beat_s = now_s
        self._send(self._talk.tell(commands.Beat(), now_s))

    def _drive(self, percent: float, now_s: float) -> None:
        self._throttle_pct = percent
        self._say_driven(percent)
        if self._board.hello is not None and self._board.hello.can_throttle:
            self._command(commands.Throttle(round(percent * 10)), now_s)
        else:
            self._notes.remark("mark", {"text": f"throttle by hand: {percent:g} %"}, now_s)

    def _try_to_stop(self, order: Prove, now_s: float) -> None:
        """Stop the running motor in this way; the stop follows whatever comes of it."""
        if self.state is not State.RUNNING or self._trial is not None or not self._obeys:
            return
        self._notes.remark("mark", {"text": f"tried: {order.way}"}, now_s)
        self._trial = Trial(order.way, now_s, self._board_s)
        self._stopping.expect_fall(self._readings.by_column())
        if order.way == STOP:
            self._stop(verdicts.COMPLETE, now_s)
        elif self._trial.is_silent:
            # The last line; what is still owed must not break the silence.
            self._send(self._talk.tell(commands.Beat(), now_s))
            self._talk.forget()
        elif order.limit is not None:
            self._command(order.limit, now_s)

    def _judge_trial(self, trial: Trial, sample: Sample, now_s: float) -> None:
        """A data line while a way to stop is tried: whether the cut took effect by itself."""
        values = self._readings.by_column()
        if trial.was_cut and self._stopping.is_proven(sample, values, obeys=True):
            trial.saw_fall(sample.time_s)
            self._stop(verdicts.COMPLETE, now_s)

    def _say_driven(self, percent: float) -> None:
        """Whoever judges the readings must know the throttle; a hand's is not known."""
        hello = self._board.hello
        if self._plausibility is not None and hello is not None:
            self._plausibility.drive(percent if hello.can_throttle else None)

    def _stop_at_once(self) -> None:
        """The guard knows of a trip: the stop goes out before anybody says why."""
        if allows(self.state, Happening.STOP):
            self._send_stop(self._now_s)

    def _stop(self, verdict: Ended, now_s: float, *, told: bool = False) -> None:
        """Stop the motor; `verdict` says why the run ends, unless something said so before."""
        if not allows(self.state, Happening.STOP):
            return
        if not told:
            self._send_stop(now_s)
        self._verdict = verdict
        if self._plausibility is not None:
            self._plausibility.coast()
        self._stopping.expect_fall(self._readings.by_column())
        self._throttle_pct = 0.0 if self._board.hello and self._board.hello.can_throttle else None
        self._move(Happening.STOP, verdict.cause, now_s)
        if verdict.exit_code:
            unasked = verdict.outcome != "operator"
            self._notes.say(f"Stopping: {verdict.cause}", now_s, loud=unasked)

    def _not_complete(self, verdict: Ended, now_s: float) -> None:
        """A run that was stopped as complete turns out not to have been."""
        if self.state in STOPPED_STATES and self._verdict.exit_code == DONE:
            self._verdict = verdict
            self._notes.say(f"Not complete: {verdict.cause}", now_s, loud=True)

    def _send_stop(self, now_s: float) -> None:
        if self._board.hello is None or self._obeys:
            self._stopping.order(now_s)
            self._notes.remark("told", {"line": "stop"}, now_s)

    def _stop_on_trip(self, alarms: list[Alarm], now_s: float) -> None:
        for alarm in alarms:
            if alarm.severity == "trip":
                if alarm.cause == "stale":
                    verdict = verdicts.link_lost(alarm.text)
                else:
                    verdict = Ended("tripped", STOPPED, alarm.text)
                self._stop(verdict, now_s, told=True)

    def _judge_stop(self, sample: Sample, now_s: float) -> None:
        """A data line after the stop: what it proves, and whether the board is armed again."""
        if self.state is State.COASTING:
            if sample.status & _ARMED and self._obeys and self._stopping.repeat(now_s):
                text = "The board says that it is armed after the stop: stopped once more."
                self._notes.say(text, now_s, loud=True)
            return
        if self._stopping.is_proven(sample, self._readings.by_column(), obeys=self._obeys):
            self._talk.forget()
            if self._trial is not None and self._trial.way == STOP:
                self._trial.saw_cut(sample.time_s)
                self._trial.saw_fall(sample.time_s)
            self._move(Happening.FELL, "the stop took effect", now_s)

    def _not_proven(self, now_s: float) -> None:
        if self._lost_since_s is None:
            cause = "the stop did not take effect: current or speed does not fall"
            said = f"THE STOP DID NOT TAKE EFFECT. {verdicts.BY_HAND}"
        else:
            cause = "the stop cannot be seen: the link is lost"
            said = f"THE STOP CANNOT BE SEEN. {verdicts.IF_IT_TURNS}"
        self._stopping.fall_silent(now_s)
        self._move(Happening.DID_NOT_FALL, cause, now_s)
        self._notes.say(said, now_s, loud=True)
        readings = self._readings
        current_a = readings.value("current_a")
        alarm = Alarm(
            time_s=readings.newest.time_s if readings.newest else 0.0,
            severity="trip",
            quantity="current_a",
            cause="stop not effective",
            value=None if math.isnan(current_a) else current_a,
            limit=None,
            text=cause,
        )
        self._notes.report(alarm, self.state.value, now_s)

    def _repeat_stop(self, now_s: float) -> None:
        if self._obeys and self._stopping.repeat(now_s):
            self._notes.remark("told", {"line": "stop"}, now_s)

    def _coast(self, now_s: float, in_state_s: float) -> None:
        """Record until the rotor stands still, and the heat soak after that."""
        speed = self._readings.value("speed_rpm")
        if speed > 0.0:
            self._rest_since_s = None
        elif self._rest_since_s is None:
            self._rest_since_s = now_s
        rested_s = -1.0 if self._rest_since_s is None else now_s - self._rest_since_s
        if rested_s >= self._soak_s or in_state_s >= COASTING_AT_MOST_S + self._soak_s:
            self._end(now_s)

    def _watch_link(self, now_s: float) -> None:
        if self.ended or self.state is State.LINKING:
            return
        if self._guard is not None and self.state in GUARDED:
            alarms = self._guard.check_time(now_s, self._last_line_s, self._started_s)
            self._stop_on_trip(alarms, now_s)
            for alarm in alarms:
                self._notes.report(alarm, self.state.value, now_s)
        if self.state is State.ARMING and (overdue := self._talk.overdue(now_s)) is not None:
            self._stop(verdicts.no_answer(overdue.word), now_s)
        if self._zeroing.going_on and self.state is State.READY and self._talk.overdue(now_s):
            self._give_up(verdicts.no_answer(commands.Zero.word), now_s)
            return
        if self._lost_since_s is not None:
            self._await_link(now_s)
        elif now_s - self._last_line_s >= SILENT_AFTER_S:
            self._lose_link(f"no line for {SILENT_AFTER_S:g} s", now_s)

    def _lose_link(self, reason: str, now_s: float) -> None:
        """The board is not heard any more. After a stop it is waited for, never to drive."""
        if self.state in (State.LINKING, State.READY):
            self._give_up(verdicts.link_lost(reason), now_s)
            return
        if self._lost_since_s is not None or self.ended:
            return
        self._lost_since_s = now_s
        if self.state is State.COASTING:
            self._notes.say(f"The coast is not seen: {reason}", now_s)
            return
        self._notes.say(
            "THE LINK IS LOST while the motor may be turning: the board cuts by itself "
            f"{commands.HEARTBEAT_LOST_S:g} s after it last heard us, but nobody here can "
            f"see it. {verdicts.IF_IT_TURNS}",
            now_s,
            loud=True,
        )
        self._not_complete(verdicts.link_lost(reason), now_s)
        self._stop(verdicts.link_lost(reason), now_s)

    def _await_link(self, now_s: float) -> None:
        lost_s = self._lost_since_s
        assert lost_s is not None
        if self._last_line_s > lost_s:
            self._lost_since_s = None
            self._notes.say("The board is heard again.", now_s)
        elif now_s - lost_s >= LINK_BACK_WITHIN_S:
            if self.state is State.COASTING:
                self._end(now_s)
            else:
                self._give_up(verdicts.stop_not_seen(self._verdict.cause), now_s)

    def _give_up(self, verdict: Ended, now_s: float) -> None:
        if self.ended:
            return
        if self.state not in (State.LINKING, State.READY, State.COASTING):
            self._send_stop(now_s)
        self._verdict = verdict
        self._end(now_s, Happening.GIVEN_UP)

    def _end(self, now_s: float, happening: Happening = Happening.COLD) -> None:
        verdict = self._verdict
        if not allows(self.state, happening):
            happening = Happening.GIVEN_UP
        self._move(happening, verdict.cause, now_s)
        self._notes.remark(
            "end",
            {
                "outcome": verdict.outcome,
                "exit_code": verdict.exit_code,
                "cause": verdict.cause,
                "statistics": self._statistics(),
            },
            now_s,
        )
        seen = None if self._trial is None else self._trial.seen()
        self.ended = dataclasses.replace(verdict, seen=seen)

    # What goes out

    def snapshot(self, now_s: float) -> Snapshot:
        """The run at this moment."""
        readings = self._readings
        elapsed_s = now_s - self._started_s if self._started_s is not None else 0.0
        running = self.state is State.RUNNING
        length_s = self.plan.length_s
        return Snapshot(
            state=self.state.value,
            cause=self.cause,
            host_s=now_s - self._began_s,
            elapsed_s=elapsed_s,
            remaining_s=max(length_s - elapsed_s, 0.0) if running and length_s else None,
            columns=readings.columns,
            values=readings.newest.values if readings.newest else (),
            peaks=readings.peaks(),
            clipped=readings.newest.clipped if readings.newest else (),
            charge_ah=readings.charge_as / 3600.0,
            energy_wh=readings.energy_j / 3600.0,
            throttle_pct=self._throttle_pct,
            link=LinkFigures(
                lines_per_s=self._rate.per_s(now_s),
                good=self._decoder.counts.good,
                lost=self._lost_before + self._timeline.lost,
                rejected=self._decoder.counts.rejected.total(),
            ),
            can_stop=bool(self._board.hello and self._board.hello.can_stop),
            can_throttle=bool(self._board.hello and self._board.hello.can_throttle),
            instruction=self._instruction(elapsed_s),
            active=self._guard.active if self._guard else (),
            board=self._board.hello.board if self._board.hello else "",
            trace=readings.trace(),
            edges=self._timeline.edges,
            hello=self._board.hello,
            channels=tuple(self._board.channels() or ()),
            findings=self._shown_findings(now_s),
        )

    def at_rest(self, now_s: float) -> AtRest | None:
        """The stand at rest, once enough of it is known, and until it is armed."""
        waited_s = now_s - self._state_since_s
        if (
            self.state is not State.READY
            or self._rest is None
            or not self._rest.is_enough(waited_s)
        ):
            return None
        return self._rest.collected(now_s - self._last_line_s)

    def _shown_findings(self, now_s: float) -> tuple[Finding, ...] | None:
        """What an operator should know before arming."""
        if self.plan.automatic or self.state is not State.READY or self._rest is None:
            return None
        return self._rest.shown(now_s, now_s - self._last_line_s)

    def _instruction(self, elapsed_s: float) -> str:
        """What the operator must do where the board cannot drive the throttle."""
        if self._board.hello is None or self._board.hello.can_throttle:
            return ""
        if self.state in (State.STOPPING, State.UNPROVEN):
            return "throttle to zero"
        return self._steps.instruction(elapsed_s) if self.state is State.RUNNING else ""

    def remark(self, kind: str, content: dict[str, Any], now_s: float) -> None:
        """Put a line of the host's own into the journal."""
        self._notes.remark(kind, content, now_s)

    def _statistics(self) -> dict[str, Any]:
        counts = self._decoder.counts
        return {
            "good": counts.good,
            "unknown": counts.unknown,
            "before_first": counts.before_first,
            "rejected": {fault.value: number for fault, number in counts.rejected.items()},
            "lost": self._lost_before + self._timeline.lost,
            "repeated": self._timeline.repeated,
            "late": self._timeline.late,
        }

    def _move(self, happening: Happening, cause: str, now_s: float) -> None:
        """Raises IllegalEventError for a step that the table of states does not have."""
        following = after(self.state, happening)
        self.state, self.cause, self._state_since_s = following, cause, now_s
        self._notes.remark("state", {"state": following.value, "cause": cause}, now_s)

    @property
    def _board_s(self) -> float:
        """The board's clock at its newest line."""
        return self._readings.newest.time_s if self._readings.newest else 0.0

    @property
    def _obeys(self) -> bool:
        """Whether the board can cut the drive."""
        return self._board.hello is not None and self._board.hello.can_stop

    def _command(self, command: commands.Command, now_s: float) -> None:
        line = self._talk.tell(command, now_s)
        self._send(line)
        self._notes.remark("told", {"line": line.decode("ascii").strip()}, now_s)


class _Rate:
    """Lines in the last second or so."""

    def __init__(self, now_s: float) -> None:
        self.lines = 0
        self._since_s = now_s
        self._per_s = 0.0

    def per_s(self, now_s: float) -> float:
        span_s = now_s - self._since_s
        if span_s >= (1.0 if self._per_s else FIRST_RATE_AFTER_S):
            self._per_s = self.lines / span_s
            self._since_s, self.lines = now_s, 0
        return self._per_s
