"""One run from the first hello to the end: what the recorder decides, and when.

Sans I/O: bytes, orders and the time come in; bytes for the board go out through `send`,
lines for the journal through `keep`, news for the operator through `tell`. The clock is
the caller's, so that a test can run an hour in a second.

The order of work for a line that trips a limit is fixed: the stop goes out before anything
is kept, told or reckoned.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from rig.errors import DONE, LINK_LOST, STOPPED, RigError
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
    SetThrottle,
    Snapshot,
    StartRun,
    StopRun,
)
from rig.recorder.notes import Notes
from rig.recorder.proof import PROVE_WITHIN_S, Proof
from rig.recorder.readings import Readings
from rig.recorder.states import GUARDED, HEARTBEATS, Happening, State, after
from rig.recorder.steps import Steps
from rig.stand.limits import Alarm, Guard
from rig.stand.sampler import Sample, Sampler

SETTLE_S = 0.5
"""An automatic run records the stand at rest for so long before it arms."""

SILENT_AFTER_S = 2.0
"""Without a line for so long, the link is lost."""

HAND_STOP_WITHIN_S = 10.0
"""What an operator gets to bring the throttle down where no command can."""

QUIET_BEFORE_STOP_AGAIN_S = 0.7
"""An unproven stop is told again, but only after a silence in which the board's heartbeat
watch must cut: a stream of stops would keep a deaf board's watch content."""

UNPROVEN_AT_MOST_S = 20.0
COASTING_AT_MOST_S = 60.0
ORPHAN_SOAK_S = 2.0
"""Heat soak that is still recorded when nobody watches any more."""

FIRST_RATE_AFTER_S = 0.5

_ARMED, _CUT = int(Status.ARMED), int(Status.CUT)
"""Plain numbers, looked at for every line: an IntFlag takes ten times as long."""

BY_HAND = "Disconnect the supply by hand, now."


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
        self._readings = Readings(())
        self._to_hold: list[commands.Limit] = []
        self._proof: Proof | None = None
        self._verdict = Ended("done", DONE, "the run is complete")
        self._soak_s = plan.soak_s
        self._throttle_pct: float | None = None
        self._steps = Steps(plan.throttle)
        self._armed_seen = False
        self._stop_answered = False
        self._heard_bytes = False
        self._last_line_s = now_s
        self._last_asked_s = -math.inf
        self._last_beat_s = -math.inf
        self._last_stop_s = -math.inf
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
            case StartRun():
                self._start(now_s)
            case StopRun(cause):
                if self.state is State.COASTING:
                    self._end(now_s)
                elif self.state is State.UNPROVEN:
                    self._send_stop(now_s)
                elif self.state is State.LINKING:
                    self._give_up(Ended("operator", STOPPED, cause), now_s)
                else:
                    self._stop(Ended("operator", STOPPED, cause), now_s)
            case SetThrottle(percent):
                self._steps.give_up()
                if self.state is State.RUNNING:
                    self._drive(percent, now_s)
            case Acknowledge():
                if self._guard is not None:
                    self._guard.acknowledge()
                self._notes.remark("mark", {"text": "alarms acknowledged"}, now_s)
            case Mark(words):
                self._notes.remark("mark", {"text": words}, now_s)

    def on_time(self, now_s: float) -> None:
        """Time has passed; called at least every 20 ms."""
        self._now_s = now_s
        if self.ended:
            return
        if self.state in HEARTBEATS and now_s - self._last_beat_s >= commands.HEARTBEAT_EVERY_S:
            self._last_beat_s = now_s
            if self._board.hello and self._board.hello.can_stop:
                self._send(self._talk.tell(commands.Beat(), now_s))
        again = self._talk.again(now_s)
        if again:
            self._send(again)
            self._notes.remark("told", {"line": "again, what was not answered"}, now_s)
        in_state_s = now_s - self._state_since_s
        match self.state:
            case State.LINKING:
                self._link(now_s)
            case State.READY:
                if self.plan.automatic and in_state_s >= SETTLE_S and self._readings.newest:
                    self._arm(now_s)
            case State.ARMED:
                if self.plan.automatic and self._readings.newest:
                    self._start(now_s)
            case State.RUNNING:
                self._run(now_s)
            case State.STOPPING:
                if in_state_s >= self._prove_within_s():
                    self._not_proven(now_s)
            case State.UNPROVEN:
                self._repeat_stop(now_s, in_state_s)
            case State.COASTING:
                self._coast(now_s, in_state_s)
        self._watch_link(now_s)

    def on_front_lost(self, now_s: float) -> None:
        """The process that showed this run to somebody is gone."""
        self._soak_s = min(self._soak_s, ORPHAN_SOAK_S)
        verdict = Ended("front lost", STOPPED, "the program that watched the run is gone")
        if self.state in (State.LINKING, State.READY):
            self._give_up(verdict, now_s)
        else:
            self._stop(verdict, now_s)

    def on_link_lost(self, reason: str, now_s: float) -> None:
        """The port is gone."""
        self._lose_link(f"the port is gone: {reason}", now_s)

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
        self._keep(kept + b"\n")
        self._readings.add(sample)
        for alarm in alarms:
            self._notes.report(alarm, self.state.value, now_s)
        self._on_status(sample.status, now_s)
        if self.state in (State.STOPPING, State.UNPROVEN):
            self._judge_stop(sample, now_s)

    def _on_status(self, status: int, now_s: float) -> None:
        if status & _ARMED:
            self._armed_seen = self._armed_seen or self.state in (State.ARMED, State.RUNNING)
        elif status & _CUT and self._armed_seen and self.state in HEARTBEATS:
            cause = "heartbeat" if status & Status.HEARTBEAT else "limit"
            known = status & (Status.HEARTBEAT | Status.LIMIT)
            self._on_cut(cause if known else "unknown", "-", now_s)

    def _on_answer(self, answer: Answer, now_s: float) -> None:
        command = self._talk.hear(answer)
        if isinstance(command, commands.Stop):
            self._stop_answered = True
        elif command is None:
            return
        elif not answer.accepted:
            if isinstance(command, commands.AskHello):
                return
            cause = f"the board refused {command.word!r}: {answer.reason}"
            self._stop(Ended("link lost", LINK_LOST, cause), now_s)
        elif self.state is State.ARMING:
            self._arm_next(command, now_s)

    def _on_introduction(self, record: Hello | Channel, now_s: float) -> None:
        known = self._board.hello
        if isinstance(record, Hello) and known is not None and record.boot != known.boot:
            self._restarted(now_s)
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
        if cause == "stop" or self.state not in HEARTBEATS:
            return
        place = f" on {self._board.label(where)}" if where != "-" else ""
        self._notes.remark("mark", {"text": f"the board cut the drive: {cause}{place}"}, now_s)
        if cause == "heartbeat":
            text = "the board cut the drive because it no longer heard this program"
            self._stop(Ended("link lost", LINK_LOST, text), now_s)
        else:
            text = f"the board cut the drive by itself: {cause}{place}"
            self._stop(Ended("tripped", STOPPED, text), now_s)

    def _restarted(self, now_s: float) -> None:
        """The board was reset. Its outputs are off after a reset, but we look."""
        verdict = Ended(
            "link lost",
            LINK_LOST,
            "the board was reset in mid-run",
            "Check its supply and wiring; a reset cuts the drive, make sure that it did.",
        )
        if self.state is State.READY:
            self._give_up(verdict, now_s)
        elif self.state is State.COASTING:
            self._end(now_s)
        else:
            self._stop(verdict, now_s)
            hello, channels = self._board.hello, self._board.channels()
            if hello is not None and channels is not None:
                self._begin_lines(Sampler(self.plan.stand, hello, channels))

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
        self._begin_lines(sampler)
        self._move(Happening.IDENTIFIED, f"{hello.board} is there", now_s)
        if not hello.can_stop:
            text = "This board only talks: nothing here can stop the motor, only your hand can."
            self._notes.say(text, now_s, loud=True)

    def _begin_lines(self, sampler: Sampler) -> None:
        """Count and time the lines of this boot afresh; limits of another boot are void."""
        self._sampler = sampler
        self._lost_before += self._timeline.lost
        self._timeline = Timeline()
        self._readings.begin_anew()
        self._guard = None

    def _arm(self, now_s: float) -> None:
        if self.state is not State.READY or self._sampler is None or self._readings.newest is None:
            return
        self._guard = Guard(self.plan.stand, self._sampler.columns, self._stop_at_once)
        newest = self._readings.newest
        self._guard.check(newest.time_s, newest)
        if self._guard.tripped is not None:
            alarm = self._guard.tripped
            self._notes.report(alarm, self.state.value, now_s)
            text = f"not armed: {alarm.text}"
            self._notes.say(text, now_s, loud=True)
            if self.plan.automatic:
                self._give_up(Ended("tripped", STOPPED, text), now_s)
            return
        self._move(Happening.ARM, "the limits go to the board", now_s)
        hello = self._board.hello
        if hello is None or not hello.can_stop:
            self._move(Happening.LIMITS_HELD, "watching only", now_s)
            return
        self._to_hold = self._sampler.count_limits() if hello.can_limit else []
        self._arm_next(None, now_s)

    def _arm_next(self, settled: commands.Command | None, now_s: float) -> None:
        """Each limit in turn, each answered, and only then the board is armed."""
        if isinstance(settled, commands.Arm):
            self._move(Happening.LIMITS_HELD, "the board is armed", now_s)
        elif self._to_hold:
            self._command(self._to_hold.pop(0), now_s)
        elif self._board.hello is not None:
            self._command(commands.Arm(self._board.hello.boot), now_s)

    def _start(self, now_s: float) -> None:
        if self._move(Happening.START, "the motor is running", now_s):
            self._started_s = now_s
            self._run(now_s)

    def _run(self, now_s: float) -> None:
        """Keep to the planned steps, and stop when the time is over."""
        elapsed_s = now_s - (self._started_s or now_s)
        length_s = self.plan.length_s
        if length_s is not None and elapsed_s >= length_s:
            self._stop(self._verdict, now_s)
            return
        overdue = self._talk.overdue(now_s)
        if overdue is not None:
            cause = f"the board does not answer {overdue.word!r}"
            self._stop(Ended("link lost", LINK_LOST, cause), now_s)
            return
        percent = self._steps.due(elapsed_s)
        if percent is not None:
            self._drive(percent, now_s)

    def _drive(self, percent: float, now_s: float) -> None:
        self._throttle_pct = percent
        if self._board.hello is not None and self._board.hello.can_throttle:
            self._command(commands.Throttle(round(percent * 10)), now_s)
        else:
            self._notes.remark("mark", {"text": f"throttle by hand: {percent:g} %"}, now_s)

    def _stop_at_once(self) -> None:
        """The guard knows of a trip: the stop goes out before anybody says why."""
        if after(self.state, Happening.STOP) is not None:
            self._send_stop(self._now_s)

    def _stop(self, verdict: Ended, now_s: float, *, told: bool = False) -> None:
        """Stop the motor; `verdict` says why the run ends, unless something said so before."""
        if after(self.state, Happening.STOP) is None:
            return
        if not told:
            self._send_stop(now_s)
        self._verdict = verdict
        self._proof = Proof.begin(self._readings.by_column())
        self._throttle_pct = 0.0 if self._board.hello and self._board.hello.can_throttle else None
        self._move(Happening.STOP, verdict.cause, now_s)
        if verdict.exit_code:
            unasked = verdict.outcome != "operator"
            self._notes.say(f"Stopping: {verdict.cause}", now_s, loud=unasked)

    def _send_stop(self, now_s: float) -> None:
        self._last_stop_s = now_s
        if self._board.hello is None or self._board.hello.can_stop:
            self._send(self._talk.tell(commands.Stop(), now_s))
            self._notes.remark("told", {"line": "stop"}, now_s)

    def _stop_on_trip(self, alarms: list[Alarm], now_s: float) -> None:
        for alarm in alarms:
            if alarm.severity == "trip":
                if alarm.cause == "stale":
                    self._stop(Ended("link lost", LINK_LOST, alarm.text), now_s, told=True)
                else:
                    self._stop(Ended("tripped", STOPPED, alarm.text), now_s, told=True)

    def _judge_stop(self, sample: Sample, now_s: float) -> None:
        hello = self._board.hello
        if self._proof is None or hello is None:
            return
        if hello.can_stop and not self._stop_answered and not sample.status & Status.CUT:
            return
        unusable = frozenset(sample.clipped) | {column for column, _ in sample.faults}
        if self._proof.holds(self._readings.by_column(), unusable):
            self._talk.forget()
            self._move(Happening.FELL, "the stop took effect", now_s)

    def _prove_within_s(self) -> float:
        by_hand = self._board.hello is not None and not self._board.hello.can_stop
        return HAND_STOP_WITHIN_S if by_hand and not self._verdict.exit_code else PROVE_WITHIN_S

    def _not_proven(self, now_s: float) -> None:
        cause = "the stop did not take effect: current or speed does not fall"
        self._talk.forget()
        self._move(Happening.DID_NOT_FALL, cause, now_s)
        self._notes.say(f"THE STOP DID NOT TAKE EFFECT. {BY_HAND}", now_s, loud=True)
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

    def _repeat_stop(self, now_s: float, in_state_s: float) -> None:
        if now_s - self._last_stop_s >= QUIET_BEFORE_STOP_AGAIN_S:
            self._send_stop(now_s)
            self._talk.forget()
        if in_state_s >= UNPROVEN_AT_MOST_S:
            cause = f"{self._verdict.cause}; then the stop did not take effect"
            self._give_up(Ended("stop not effective", LINK_LOST, cause, BY_HAND), now_s)

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
        if self.state is State.ARMING and self._talk.overdue(now_s) is not None:
            cause = "the board does not answer"
            self._stop(Ended("link lost", LINK_LOST, cause, "Check its receive line."), now_s)
        if now_s - self._last_line_s >= SILENT_AFTER_S:
            self._lose_link(f"no line for {SILENT_AFTER_S:g} s", now_s)

    def _lose_link(self, reason: str, now_s: float) -> None:
        if self.state is State.COASTING:
            self._notes.say(f"The recording ends early: {reason}", now_s)
            self._end(now_s)
            return
        verdict = Ended("link lost", LINK_LOST, reason, "Check cable and board, then run again.")
        if self.state in GUARDED:
            to_do = f"If the motor still turns: {BY_HAND[0].lower()}{BY_HAND[1:]}"
            verdict = Ended("stop not seen", LINK_LOST, reason, to_do)
            self._notes.say(
                "THE LINK IS LOST while the motor may be turning: the board cuts by itself "
                f"{commands.HEARTBEAT_LOST_S:g} s after it last heard us, but nobody here can "
                f"see it. {to_do}",
                now_s,
                loud=True,
            )
        self._give_up(verdict, now_s)

    def _give_up(self, verdict: Ended, now_s: float) -> None:
        if self.ended:
            return
        if self.state not in (State.LINKING, State.READY, State.COASTING):
            self._send_stop(now_s)
        self._verdict = verdict
        self._end(now_s, Happening.GIVEN_UP)

    def _end(self, now_s: float, happening: Happening = Happening.COLD) -> None:
        verdict = self._verdict
        if after(self.state, happening) is None:
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
        self.ended = verdict

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
            alarms=tuple(self._notes.alarms),
            active=self._guard.active if self._guard else (),
            board=self._board.hello.board if self._board.hello else "",
            trace=readings.trace(),
        )

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

    def _move(self, happening: Happening, cause: str, now_s: float) -> bool:
        following = after(self.state, happening)
        if following is None:
            return False
        self.state, self.cause, self._state_since_s = following, cause, now_s
        self._notes.remark("state", {"state": following.value, "cause": cause}, now_s)
        return True

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
