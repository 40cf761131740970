"""From ready to armed: zeros, the stand at rest, the limits sent to the board, the arming.

`rig.recorder.zeroing` and `rig.recorder.before_arming` have the rules.
"""

from __future__ import annotations

from rig.protocol import commands
from rig.protocol.records import Answer, Channel
from rig.recorder import verdicts
from rig.recorder.before_arming import BeforeArming, not_armed
from rig.recorder.ending import Ending
from rig.recorder.run import Run
from rig.recorder.states import Happening, allows
from rig.recorder.zeroing import Zeroing, why_not
from rig.stand.findings import NOTE
from rig.stand.limits import Guard
from rig.stand.reference import moved_words
from rig.stand.sampler import NO_REFERENCE, Sample, Sampler
from rig.vocabulary import State


class Arming:
    """The arming of one run."""

    def __init__(self, run: Run, ending: Ending) -> None:
        self._run, self._ending = run, ending
        self._to_hold: list[commands.Limit] = []
        self._zeroing = Zeroing()

    def on_time(self, now_s: float) -> None:
        """An automatic run goes on as soon as enough of the stand at rest is known."""
        run = self._run
        if run.rest is None or not run.rest.is_enough(now_s - run.since_s):
            return
        if run.plan.zero and not self._zeroing.asked:
            self.zero(now_s)
        elif run.plan.automatic and not self._zeroing.going_on:
            self.arm(now_s)

    def look_for_answers(self, now_s: float) -> None:
        """A board that leaves us without an answer is not armed."""
        run = self._run
        if run.state is State.ARMING and (overdue := run.talk.overdue(now_s)) is not None:
            self._ending.stop(verdicts.no_answer(overdue.word), now_s)
        if self._zeroing.going_on and run.state is State.READY and run.talk.overdue(now_s):
            self._ending.give_up(verdicts.no_answer(commands.Zero.word), now_s)

    # Zeros

    def zero(self, now_s: float) -> None:
        """Take the zeros that the operator asked for, if nothing speaks against it."""
        run = self._run
        hello, newest, sampler = run.board.hello, run.readings.newest, run.sampler
        if not allows(run.state, Happening.ZERO) or self._zeroing.going_on:
            return
        if hello is None or newest is None or sampler is None:
            return
        self._zeroing.asked = True
        reason = why_not(hello, sampler.columns, newest, sampler.zeroable)
        if reason:
            self._not_zeroed(reason, now_s)
            return
        run.move(Happening.ZERO, "the board takes zeros", now_s)
        self._zeroing.begin(sampler.zeroable)
        self._zero_next(now_s)

    def _zero_next(self, now_s: float) -> None:
        channel = self._zeroing.next()
        if channel is not None:
            self._run.command(commands.Zero(channel), now_s)

    def hear_channel(self, channel: Channel) -> bool:
        """A channel line once the board is known; whether it may say what was taken off."""
        run = self._run
        if not self._zeroing.asked or run.state not in (State.READY, State.ARMING):
            return False
        if run.sampler is not None and run.board.takes_off(channel):
            self._zeroing.hear(channel)
            run.sampler.take_zero(channel)
            if run.board.hello is not None:
                # What was read before a zero was taken is not what is read after it.
                run.look_at_rest(run.board.hello, run.sampler)
        return True

    def on_zero(self, answer: Answer, now_s: float) -> None:
        """The board answers a zero."""
        run = self._run
        if run.state is not State.READY:
            return
        if not answer.accepted:
            self._not_zeroed(f"the board refused: {answer.reason}", now_s)
            return
        channel = self._zeroing.taken()
        if channel is None:
            # The next run hears it in the board's introduction.
            self._ending.give_up(verdicts.ZERO_NOT_KNOWN, now_s)
            return
        text = f"Zero taken: the board takes {channel.zero} counts off {channel.label!r}."
        run.notes.say(text, now_s)
        self._zero_next(now_s)

    def _not_zeroed(self, reason: str, now_s: float) -> None:
        self._zeroing.give_up()
        text = f"no zero taken: {reason}"
        self._run.notes.say(text, now_s, loud=True)
        if self._run.plan.automatic:
            self._ending.give_up(verdicts.not_zeroed(text), now_s)

    # Limits, and the arming

    def arm(self, now_s: float) -> None:
        """Arm the board, if the stand at rest allows it."""
        run = self._run
        if run.state is not State.READY or run.sampler is None or run.rest is None:
            return
        if self._zeroing.going_on:
            run.notes.say("not armed: a zero is being taken", now_s, loud=True)
            return
        newest = run.readings.newest
        if newest is None or not self._may_arm(run.rest, now_s):
            return
        at_once = self._ending.stop_at_once
        run.guard = Guard(run.plan.stand, run.sampler.columns, at_once, run.plausibility)
        self._say_reference(run.sampler, newest, now_s)
        run.move(Happening.ARM, "the limits go to the board", now_s)
        hello = run.board.hello
        if hello is None or not hello.can_stop:
            run.move(Happening.LIMITS_HELD, "watching only", now_s)
            return
        self._to_hold = run.sampler.count_limits() if hello.can_limit else []
        self.arm_next(None, now_s)

    def arm_next(self, settled: commands.Command | None, now_s: float) -> None:
        """Each limit in turn, each answered, and only then the board is armed."""
        run = self._run
        if isinstance(settled, commands.Arm):
            run.armed = True
            run.move(Happening.LIMITS_HELD, "the board is armed", now_s)
        elif self._to_hold:
            run.command(self._to_hold.pop(0), now_s)
        elif run.board.hello is not None:
            run.command(commands.Arm(run.board.hello.boot), now_s)

    def _may_arm(self, rest: BeforeArming, now_s: float) -> bool:
        """Say what is found at rest; a refusal ends an automatic run."""
        run = self._run
        findings = rest.findings(now_s - run.lines.newest_s)
        verdict = not_armed(findings)
        for finding in findings:
            if finding.alarm is not None:
                run.report(finding.alarm, now_s)
            if finding.severity == NOTE:
                run.notes.say(f"at rest: {finding.sentence}", now_s)
        if verdict is None:
            return True
        run.notes.say(f"{verdict.cause} {verdict.to_do}", now_s, loud=True)
        if run.plan.automatic:
            self._ending.give_up(verdict, now_s)
        return False

    def _say_reference(self, sampler: Sampler, newest: Sample, now_s: float) -> None:
        """Whether the readings are corrected for a reference that moved, or cannot be."""
        text = moved_words(self._run.plan.stand, sampler.reference_ratio)
        unknown = any(word == NO_REFERENCE for _, word in newest.faults)
        if unknown:
            text = (
                "The board's reference channel reads nothing usable: current and voltage are not "
                "corrected. Is `count_at_calibration` that of one conversion?"
            )
        if text:
            self._run.notes.say(text, now_s, loud=unknown)
