"""The motor driven: the board kept from cutting, the planned steps, and a way to stop tried."""

from __future__ import annotations

import math

from rig.protocol import commands
from rig.recorder import verdicts
from rig.recorder.ending import Ending
from rig.recorder.messages import Prove
from rig.recorder.run import Run
from rig.recorder.states import Happening
from rig.recorder.trial import STOP, Trial
from rig.stand.sampler import Sample
from rig.vocabulary import State


class Driving:
    """The driven part of one run."""

    def __init__(self, run: Run, ending: Ending) -> None:
        self._run, self._ending = run, ending
        self._last_beat_s = -math.inf

    def start(self, now_s: float) -> None:
        """The second of the two actions that set a motor turning."""
        run = self._run
        if run.state is State.ARMED:
            run.move(Happening.START, "the motor is running", now_s)
            run.started_s = now_s
            self._say_driven(0.0)
            self.on_time(now_s)

    def on_time(self, now_s: float) -> None:
        """Keep to the planned steps, and stop when the time is over."""
        run = self._run
        elapsed_s = now_s - (run.started_s or now_s)
        length_s = run.plan.length_s
        if length_s is not None and elapsed_s >= length_s:
            for alarm in run.guard.check_end() if run.guard is not None else ():
                run.report(alarm, now_s)
            self._ending.stop(run.verdict, now_s)
            return
        overdue = run.talk.overdue(now_s)
        if overdue is not None:
            self._ending.stop(verdicts.no_answer(overdue.word), now_s)
            return
        if run.trial is not None and run.trial.is_overdue(now_s, run.board_s):
            self._ending.stop(verdicts.not_stopped_by(run.trial.way), now_s)
            return
        percent = run.steps.due(elapsed_s)
        if percent is not None:
            self._drive(percent, now_s)

    def beat(self, now_s: float) -> None:
        """Keep the board from cutting; not once it must have cut while we stood still."""
        run = self._run
        silence_s = now_s - self._last_beat_s
        if silence_s < commands.HEARTBEAT_EVERY_S or not run.obeys:
            return
        if run.trial is not None and run.trial.is_silent:
            return
        if commands.HEARTBEAT_LOST_S <= silence_s < math.inf:
            self._ending.stop(verdicts.stalled(silence_s), now_s)
            return
        self._last_beat_s = now_s
        run.send(run.talk.tell(commands.Beat(), now_s))

    def set_throttle(self, percent: float, now_s: float) -> None:
        """The operator drives from now on."""
        if self._run.state is State.RUNNING:
            self._run.steps.give_up()
            self._drive(percent, now_s)

    def _drive(self, percent: float, now_s: float) -> None:
        run = self._run
        run.throttle_pct = percent
        self._say_driven(percent)
        if run.has_throttle:
            run.command(commands.Throttle(round(percent * 10)), now_s)
        else:
            run.notes.remark("mark", {"text": f"throttle by hand: {percent:g} %"}, now_s)

    def _say_driven(self, percent: float) -> None:
        """Whoever judges the readings must know the throttle; a hand's is not known."""
        run = self._run
        if run.plausibility is not None and run.board.hello is not None:
            run.plausibility.drive(percent if run.has_throttle else None)

    def try_to_stop(self, order: Prove, now_s: float) -> None:
        """Stop the running motor in this way; the stop follows whatever comes of it."""
        run = self._run
        if run.state is not State.RUNNING or run.trial is not None or not run.obeys:
            return
        run.notes.remark("mark", {"text": f"tried: {order.way}"}, now_s)
        run.trial = Trial(order.way, now_s, run.board_s)
        self._ending.stopping.expect_fall(run.readings.by_column())
        if order.way == STOP:
            self._ending.stop(verdicts.COMPLETE, now_s)
        elif run.trial.is_silent:
            # The last line; what is still owed must not break the silence.
            run.send(run.talk.tell(commands.Beat(), now_s))
            run.talk.forget()
        elif order.limit is not None:
            run.command(order.limit, now_s)

    def judge_trial(self, trial: Trial, sample: Sample, now_s: float) -> None:
        """A data line while a way to stop is tried: whether the cut took effect by itself."""
        values = self._run.readings.by_column()
        if trial.was_cut and self._ending.stopping.is_proven(sample, values, obeys=True):
            trial.saw_fall(sample.time_s)
            self._ending.stop(verdicts.COMPLETE, now_s)
