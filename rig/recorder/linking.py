"""From an open port to a board that is known: asked, heard, identified, and after a reset."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rig.errors import RigError
from rig.protocol import commands
from rig.protocol.records import Channel, Hello
from rig.protocol.timeline import Timeline
from rig.recorder import verdicts
from rig.recorder.ending import Ending
from rig.recorder.introduction import ASK_EVERY_S, IDENTIFY_WITHIN_S, foreign, no_introduction
from rig.recorder.messages import Ended
from rig.recorder.readings import Readings
from rig.recorder.run import Run
from rig.recorder.states import Happening
from rig.stand.sampler import Sampler
from rig.vocabulary import RunOutcome, State


class Linking:
    """The beginning of one run."""

    def __init__(self, run: Run, ending: Ending) -> None:
        self._run, self._ending = run, ending
        self._last_asked_s = -math.inf

    def on_time(self, now_s: float) -> None:
        """Ask the board who it is, until it says so or has had its time."""
        run = self._run
        if now_s - self._last_asked_s >= ASK_EVERY_S:
            self._last_asked_s = now_s
            run.talk.forget()
            run.send(run.talk.tell(commands.AskHello(), now_s))
        if now_s - run.began_s >= IDENTIFY_WITHIN_S:
            verdict = no_introduction(
                heard_bytes=run.lines.heard_bytes,
                good_lines=run.lines.decoder.counts.good,
                baud=run.plan.stand.baud,
            )
            self._ending.give_up(verdict, now_s)

    def hear(self, record: Hello | Channel, now_s: float) -> None:
        """One line of the board's introduction."""
        run = self._run
        run.board.hear(record)
        verdict = foreign(record) if isinstance(record, Hello) else None
        if verdict is not None:
            self._ending.give_up(verdict, now_s)
            return
        channels = run.board.channels()
        if channels is not None:
            self._identified(channels, now_s)

    def _identified(self, channels: list[Channel], now_s: float) -> None:
        run = self._run
        hello = run.board.hello
        assert hello is not None
        try:
            sampler = Sampler(run.plan.stand, hello, channels)
        except RigError as error:
            cause = f"{error.where}: {error.what}" if error.where else error.what
            verdict = Ended(RunOutcome.SETTINGS, error.exit_code, cause, error.to_do)
            self._ending.give_up(verdict, now_s)
            return
        run.talk.forget()
        run.readings = Readings(sampler.columns)
        run.lines.newest_s = now_s
        run.begin_lines(hello, sampler)
        run.move(Happening.IDENTIFIED, f"{hello.board} is there", now_s)
        self._compare_with_proof(hello, now_s)
        if not hello.can_stop:
            text = "This board only talks: nothing here can stop the motor, only your hand can."
            run.notes.say(text, now_s, loud=True)

    def _compare_with_proof(self, hello: Hello, now_s: float) -> None:
        """A stop that was proven with another board or firmware is not proven."""
        proof = self._run.plan.beginning.get("stop_proof")
        if not isinstance(proof, Mapping) or not proof.get("proven"):
            return
        if (proof.get("board"), proof.get("firmware")) != (hello.board, hello.firmware):
            self._run.notes.say(verdicts.PROVEN_ELSEWHERE, now_s, loud=True)

    def on_restart(self, now_s: float) -> None:
        """The board was reset. Its outputs are off after a reset, but we look."""
        run, ending = self._run, self._ending
        if run.state is State.LINKING:
            run.lines.timeline = Timeline()
        elif run.state is State.READY:
            ending.give_up(verdicts.BOARD_RESET, now_s)
        elif run.state is State.COASTING:
            ending.end(now_s)
        else:
            ending.stop(verdicts.BOARD_RESET, now_s)
            ending.not_complete(verdicts.BOARD_RESET, now_s)
            hello, channels = run.board.hello, run.board.channels()
            if hello is not None and channels is not None:
                run.begin_lines(hello, Sampler(run.plan.stand, hello, channels))
