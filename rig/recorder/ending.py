"""How a run ends: the stop sent, proven and repeated, the coast recorded, the last word.

`rig.recorder.stopping` has the rules of the stop itself.
"""

from __future__ import annotations

import dataclasses
import math

from rig.errors import DONE, STOPPED
from rig.protocol.records import Status
from rig.recorder import verdicts
from rig.recorder.messages import Ended
from rig.recorder.run import Run
from rig.recorder.states import STOPPED_STATES, Happening, allows
from rig.recorder.stopping import UNPROVEN_AT_MOST_S, Stopping
from rig.recorder.trial import STOP
from rig.stand.limits import Alarm
from rig.stand.sampler import Sample
from rig.vocabulary import STALE, RunOutcome, Severity, State

COASTING_AT_MOST_S = 60.0
ORPHAN_SOAK_S = 2.0
"""Heat soak that is still recorded when nobody watches any more."""

_ARMED = int(Status.ARMED)


class Ending:
    """The end of one run."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self.stopping = Stopping(run.talk, run.send)
        self._soak_s = run.plan.soak_s
        self._rest_since_s: float | None = None

    # The stop

    def stop_at_once(self) -> None:
        """The guard knows of a trip: the stop goes out before anybody says why."""
        if allows(self._run.state, Happening.STOP):
            self.send_stop(self._run.now_s)

    def stop(self, verdict: Ended, now_s: float, *, told: bool = False) -> None:
        """Stop the motor; `verdict` says why the run ends, unless something said so before."""
        run = self._run
        if not allows(run.state, Happening.STOP):
            return
        if not told:
            self.send_stop(now_s)
        run.verdict = verdict
        if run.plausibility is not None:
            run.plausibility.coast()
        self.stopping.expect_fall(run.readings.by_column())
        run.throttle_pct = 0.0 if run.has_throttle else None
        run.move(Happening.STOP, verdict.cause, now_s)
        if verdict.exit_code:
            unasked = verdict.outcome != RunOutcome.OPERATOR
            run.notes.say(f"Stopping: {verdict.cause}", now_s, loud=unasked)

    def stop_on_trip(self, alarms: list[Alarm], now_s: float) -> None:
        """The stop is already on its way; a trip says why."""
        for alarm in alarms:
            if alarm.severity == Severity.TRIP:
                if alarm.cause == STALE:
                    verdict = verdicts.link_lost(alarm.text)
                else:
                    verdict = Ended(RunOutcome.TRIPPED, STOPPED, alarm.text)
                self.stop(verdict, now_s, told=True)

    def stop_ordered(self, cause: str, now_s: float) -> None:
        """The operator stops the run, or ends the recording of its coast."""
        verdict = Ended(RunOutcome.OPERATOR, STOPPED, cause)
        match self._run.state:
            case State.COASTING:
                self.end(now_s)
            case State.UNPROVEN:
                self.repeat_stop(now_s)
            case State.LINKING:
                self.give_up(verdict, now_s)
            case _:
                self.stop(verdict, now_s)

    def send_stop(self, now_s: float) -> None:
        """The stop goes out, if the board can obey it."""
        run = self._run
        if run.board.hello is None or run.obeys:
            self.stopping.order(now_s)
            run.notes.remark("told", {"line": "stop"}, now_s)

    def repeat_stop(self, now_s: float) -> None:
        """Once more, if the board was left in silence for long enough."""
        if self._run.obeys and self.stopping.repeat(now_s):
            self._run.notes.remark("told", {"line": "stop"}, now_s)

    # Its proof

    def judge_stop(self, sample: Sample, now_s: float) -> None:
        """A data line after the stop: what it proves, and whether the board is armed again."""
        run = self._run
        if run.state is State.COASTING:
            if sample.status & _ARMED and run.obeys and self.stopping.repeat(now_s):
                text = "The board says that it is armed after the stop: stopped once more."
                run.notes.say(text, now_s, loud=True)
            return
        if self.stopping.is_proven(sample, run.readings.by_column(), obeys=run.obeys):
            run.talk.forget()
            if run.trial is not None and run.trial.way == STOP:
                run.trial.saw_cut(sample.time_s)
                run.trial.saw_fall(sample.time_s)
            run.move(Happening.FELL, "the stop took effect", now_s)

    def on_time(self, now_s: float) -> None:
        """What is due after the stop."""
        run = self._run
        in_state_s = now_s - run.since_s
        match run.state:
            case State.STOPPING:
                by_hand = not run.obeys and run.verdict.exit_code == DONE
                if in_state_s >= self.stopping.prove_within_s(by_hand=by_hand):
                    self._not_proven(now_s)
            case State.UNPROVEN:
                self.repeat_stop(now_s)
                if in_state_s >= UNPROVEN_AT_MOST_S:
                    self.give_up(verdicts.not_effective(run.verdict.cause), now_s)
            case State.COASTING:
                self._coast(now_s, in_state_s)

    def _not_proven(self, now_s: float) -> None:
        run = self._run
        if run.lines.lost_since_s is None:
            cause = "the stop did not take effect: current or speed does not fall"
            said = f"THE STOP DID NOT TAKE EFFECT. {verdicts.BY_HAND}"
        else:
            cause = "the stop cannot be seen: the link is lost"
            said = f"THE STOP CANNOT BE SEEN. {verdicts.IF_IT_TURNS}"
        self.stopping.fall_silent(now_s)
        run.move(Happening.DID_NOT_FALL, cause, now_s)
        run.notes.say(said, now_s, loud=True)
        current_a = run.readings.value("current_a")
        alarm = Alarm(
            time_s=run.board_s,
            severity=Severity.TRIP,
            quantity="current_a",
            cause=RunOutcome.STOP_NOT_EFFECTIVE,
            value=None if math.isnan(current_a) else current_a,
            limit=None,
            text=cause,
        )
        run.report(alarm, now_s)

    def not_complete(self, verdict: Ended, now_s: float) -> None:
        """A run that was stopped as complete turns out not to have been."""
        run = self._run
        if run.state in STOPPED_STATES and run.verdict.exit_code == DONE:
            run.verdict = verdict
            run.notes.say(f"Not complete: {verdict.cause}", now_s, loud=True)

    # The coast and the last word

    def be_orphaned(self) -> None:
        """Nobody watches any more: a short soak is enough."""
        self._soak_s = min(self._soak_s, ORPHAN_SOAK_S)

    def _coast(self, now_s: float, in_state_s: float) -> None:
        """Record until the rotor stands still, and the heat soak after that."""
        speed = self._run.readings.value("speed_rpm")
        if speed > 0.0:
            self._rest_since_s = None
        elif self._rest_since_s is None:
            self._rest_since_s = now_s
        rested_s = -1.0 if self._rest_since_s is None else now_s - self._rest_since_s
        if rested_s >= self._soak_s or in_state_s >= COASTING_AT_MOST_S + self._soak_s:
            self.end(now_s)

    def give_up(self, verdict: Ended, now_s: float) -> None:
        """Nothing more can be recorded."""
        run = self._run
        if run.ended:
            return
        if run.state not in (State.LINKING, State.READY, State.COASTING):
            self.send_stop(now_s)
        run.verdict = verdict
        self.end(now_s, Happening.GIVEN_UP)

    def end(self, now_s: float, happening: Happening = Happening.COLD) -> None:
        """The last act."""
        run = self._run
        verdict = run.verdict
        if not allows(run.state, happening):
            happening = Happening.GIVEN_UP
        run.move(happening, verdict.cause, now_s)
        run.notes.remark(
            "end",
            {
                "outcome": verdict.outcome,
                "exit_code": verdict.exit_code,
                "cause": verdict.cause,
                "statistics": run.lines.statistics(),
            },
            now_s,
        )
        seen = None if run.trial is None else run.trial.seen()
        run.ended = dataclasses.replace(verdict, seen=seen)
