"""A slow board, a starved host and a board that talks nonsense all end in findings."""

from __future__ import annotations

import dataclasses
import random

import pytest

from rig.conformance.host import Host
from rig.conformance.rules import RULES, Finding, verify
from rig.protocol.framing import frame
from rig.protocol.records import Data, Hello
from rig.simulator.board import Board, demo_board
from rig.simulator.hello_lines import introduction
from tests.conformance.near import Near, broken, findings, made


def verdicts(found: list[Finding]) -> set[str]:
    return {finding.verdict for finding in found}


@pytest.mark.parametrize("line_hz", [1, 2, 5])
def test_a_slow_board_that_says_so_keeps_every_rule(line_hz: int) -> None:
    found = findings(made(Board, line_hz=line_hz))
    assert {f.rule: f.detail for f in found.values() if f.verdict == "broken"} == {}
    assert len([f for f in found.values() if f.verdict == "kept"]) == len(RULES) - 2


class Slower(Board):
    """Says 100 lines a second and sends 2."""

    def _introduce(self) -> None:
        stated = dataclasses.replace(self.settings, line_hz=100)
        lines = introduction(stated, self._boot, self._zero, 1)
        self._wire.say(b"".join(frame(line.body()) for line in lines))
        self._introduced_s = self._motion.now_s


def test_a_board_slower_than_it_says_is_found() -> None:
    found = findings(made(Slower, line_hz=2))
    assert len(found) == len(RULES)
    assert "2.0 lines a second, 100 are stated" in found["keeps its rate and clock"].detail


class Starved(Near):
    """This computer does not run for a while, now and then; the board does."""

    def __init__(self, board: Board, every_s: float, pause_s: float) -> None:
        super().__init__(board)
        self.every_s, self.pause_s, self.next_s = every_s, pause_s, every_s

    def read(self, wait_s: float) -> bytes:
        said = super().read(wait_s)
        if self.time_s >= self.next_s:
            said += super().read(self.pause_s)
            self.next_s = self.time_s + self.every_s
        return said


@pytest.mark.parametrize(("every_s", "pause_s"), [(0.3, 0.7), (1.0, 0.2), (0.1, 0.05), (7.0, 1.5)])
def test_a_pause_of_this_computer_is_not_the_boards_fault(every_s: float, pause_s: float) -> None:
    found = list(verify(Host(Starved(demo_board(seed=1), every_s, pause_s))))
    assert len(found) == len(RULES)
    assert [f for f in found if f.verdict == "broken"] == []
    told = [f.detail for f in found if f.verdict == "not judged"]
    assert all("this computer paused for" in detail for detail in told)
    if every_s < 1.0 < pause_s + every_s + 0.1:
        assert told
    if every_s > 5.0:
        assert not told


def test_a_fault_is_found_in_spite_of_a_pause() -> None:
    class Deaf(Board):
        def _hear(self, line: bytes) -> None:
            if line.strip().lower() != b"stop":
                super()._hear(line)

    found = list(verify(Host(Starved(made(Deaf), 7.0, 1.5))))
    assert {f.rule for f in found if f.verdict == "broken"} == set(broken(made(Deaf)))


class Nonsense(Near):
    """Sends well-framed lines that make no sense together."""

    def __init__(self, seed: int) -> None:
        super().__init__(demo_board())
        self.chance = random.Random(seed)
        hello = Hello(1, "b", "1", 7, 1000, 100, frozenset("LSTZ"), 2)
        self.lines = [
            frame(hello.body()),
            frame("C,0,current,shunt,1024,16,LZ,12"),
            frame("C,1,voltage,pack,1024,16,L,0"),
        ]

    def read(self, wait_s: float) -> bytes:
        self.time_s += wait_s
        chance = self.chance
        counts = tuple(chance.randrange(-9, 9999) for _ in range(chance.randrange(4)))
        data = Data(chance.randrange(9), chance.randrange(9), 0, 0, chance.randrange(64), counts)
        answers = [f"A,{n},ok" for n in range(1, 900, 50)]
        return chance.choice((
            b"", frame(data.body()), chance.choice(self.lines), frame("X,1,limit,0"),
            b"".join(map(frame, answers)), chance.randbytes(30),
        ))  # fmt: skip

    def write(self, data: bytes) -> None:
        number = data.partition(b",")[2].partition(b",")[0].partition(b"*")[0]
        if number.isdigit() and self.chance.random() < 0.8:
            self.lines[0] = frame(f"A,{int(number) % 65536},ok")


@pytest.mark.parametrize("seed", range(3))
def test_nonsense_ends_in_findings(seed: int) -> None:
    found = list(verify(Host(Nonsense(seed))))
    assert len(found) in (1, len(RULES))
    assert "broken" in verdicts(found)


def test_a_board_that_falls_silent_ends_in_findings() -> None:
    for at_s in (4.0, 9.0, 14.0):

        class Silenced(Near):
            def read(self, wait_s: float, at_s: float = at_s) -> bytes:
                said = super().read(wait_s)
                return said if self.time_s < at_s else b""

        found = list(verify(Host(Silenced(demo_board(seed=1)))))
        assert len(found) == len(RULES)
        assert (found[-1].verdict, found[-1].detail) == ("broken", "no more data lines come")


def test_a_board_that_a_line_resets_is_found() -> None:
    class Shy(Board):
        def receive(self, data: bytes) -> None:
            super().receive(data)
            if len(data) > 500:
                self._boot += 1
                self._power_up()

    assert "started anew" in broken(made(Shy))["is still there at the end, and was not reset"]
