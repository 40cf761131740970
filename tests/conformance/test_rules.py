"""Boards and the rules: the simulated one keeps them, a broken one breaks exactly the right one."""

from __future__ import annotations

import pytest

from rig.conformance.host import Host
from rig.conformance.rules import verify
from rig.protocol import commands
from rig.protocol.framing import frame
from rig.protocol.records import Status
from rig.simulator.board import Board, demo_board
from tests.conformance.near import Near, broken, findings, made


def test_the_simulated_board_keeps_every_rule() -> None:
    found = findings(demo_board(seed=1))
    assert broken(demo_board(seed=1)) == {}
    left_out = [f.rule for f in found.values() if f.verdict == "does not apply"]
    assert left_out == ["repeats its introduction if deaf", "cuts when it turns too fast"]
    assert len(found) == 41


class HearsAfterTalking(Board):
    """Obeys what it was told only after a data line that still tells of the state before."""

    told = b""

    def receive(self, data: bytes) -> None:
        self.told += data
        if b"stop" in data:
            self._hear_all()

    def advance(self, seconds: float) -> bytes:
        said = super().advance(seconds)
        if b"D," in said:
            self._hear_all()
        return said

    def _hear_all(self) -> None:
        told, self.told = self.told, b""
        super().receive(told)


def test_a_board_that_answers_a_line_later_keeps_every_rule() -> None:
    assert broken(made(HearsAfterTalking)) == {}


class NoHeartbeatWatch(Board):
    """Runs on when the host is gone."""

    def _step(self, dt_s: float, ticks: int) -> None:
        self._gate.hear(self._motion.now_s)
        super()._step(dt_s, ticks)


class WantsANumber(Board):
    """Takes the bare word for rubbish."""

    def _hear(self, line: bytes) -> None:
        if line.strip().lower() != b"stop":
            super()._hear(line)


class ArmsForAnyBoot(Board):
    """Does not look at the boot number."""

    def _arm(self, boot: int) -> str:  # noqa: ARG002
        return super()._arm(self._boot)


class ThrottleAlways(Board):
    """Takes throttle while it is cut."""

    def _obey(self, command: commands.Command) -> str:
        reason = super()._obey(command)
        return "" if isinstance(command, commands.Throttle) else reason


class NoLimits(Board):
    """Accepts a limit and forgets it."""

    def _judge_limits(self) -> None:
        pass


class LooksSeldom(Board):
    """Looks at its limits with every fiftieth line while it is armed."""

    lines = 0

    def _judge_limits(self) -> None:
        self.lines = self.lines + 1 if self.armed else 0
        if self.lines % 50 == 49:
            super()._judge_limits()


class SlowToStop(Board):
    """Obeys a stop with the line after the next."""

    def _cut(self, why: Status, cause: str, where: str = "-") -> None:
        if cause == "stop" and self.armed:
            self.late_s = self._motion.now_s + 0.2
        else:
            super()._cut(why, cause, where)

    late_s = float("inf")

    def _step(self, dt_s: float, ticks: int) -> None:
        super()._step(dt_s, ticks)
        if self._motion.now_s >= self.late_s:
            self.late_s = float("inf")
            super()._cut(Status(0), "stop")


class BelievesAnything(Board):
    """Does not look at checksums."""

    def _hear(self, line: bytes) -> None:
        body = line.strip().rpartition(b"*")[0]
        super()._hear(frame(body.decode("ascii", "replace")).strip() if body else line)


@pytest.mark.parametrize(
    ("kind", "rule", "words"),
    [
        (NoHeartbeatWatch, "cuts when the host falls silent", "still armed after 2 s"),
        (WantsANumber, "obeys stop as a bare word", "still armed"),
        (ArmsForAnyBoot, "refuses another boot's arm", "'arm' is answered ok"),
        (ThrottleAlways, "refuses throttle while cut", "'throttle' is answered ok"),
        (NoLimits, "cuts at a limit", "did not cut"),
        (LooksSeldom, "cuts at a limit", "ms after the arm"),
        (SlowToStop, "obeys a numbered stop", "ms after the stop"),
        (BelievesAnything, "passes over damaged lines", "was answered"),
    ],
)
def test_a_broken_board_is_found_out(kind: type[Board], rule: str, words: str) -> None:
    found = broken(made(kind))
    assert words in found[rule], found


@pytest.mark.parametrize(
    ("fault", "rule"),
    [
        ("corrupt=0.05", "keeps to the framing"),
        ("drop=0.05", "counts its lines one by one"),
        ("no-answers", "answers within 50 ms"),
        ("refuses-arm", "arms, and stays armed while it is spoken to"),
    ],
)
def test_faults_of_the_simulated_board_are_found_out(fault: str, rule: str) -> None:
    settings = demo_board(seed=1).settings
    assert rule in broken(demo_board(seed=1, faults=(fault,))), settings


def test_a_silent_board_is_told_so_and_nothing_more() -> None:
    class Silent(Near):
        def read(self, wait_s: float) -> bytes:
            super().read(wait_s)
            return b""

    (only,) = verify(Host(Silent(demo_board())))
    assert (only.verdict, only.rule) == ("broken", "introduces itself")


def test_a_board_that_only_talks_keeps_what_applies_to_it() -> None:
    found = findings(made(Board, abilities=""))
    assert {f.rule for f in found.values() if f.verdict == "broken"} == set()
    assert found["repeats its introduction if deaf"].verdict == "kept"
    assert found["obeys a numbered stop"].verdict == "does not apply"
