"""A run on a board that measures its converter's reference."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rig.protocol.commands import Limit, parse_command
from rig.recorder.conversation import Conversation
from rig.recorder.messages import Plan
from rig.recorder.stopping import Stopping
from rig.simulator.board import demo_board
from rig.stand.model import Reference
from rig.stand.sampler import NO_REFERENCE, Sample
from rig.stand.settings import demo_stand
from tests.recorder.hand import CUT
from tests.recorder.test_trips import Bench

AT_5_V = 1.1 / 5.0 * 1024


def run(count_at_calibration: float, *faults: str) -> tuple[Bench, list[Limit]]:
    """A short run on an ideal board, and the limits that it was told."""
    stand = replace(demo_stand(), reference=Reference("supply", count_at_calibration))
    board = demo_board(faults=faults, reference=True, ideal=True, line_hz=100)
    told: list[Limit] = []
    receive = board.receive

    def heard(data: bytes) -> None:
        for line in data.split(b"\n"):
            command = parse_command(line)
            if isinstance(command, tuple) and isinstance(command[1], Limit):
                told.append(command[1])
        receive(data)

    board.receive = heard  # type: ignore[method-assign]
    bench = Bench(board)
    plan = Plan(stand, "none", Path("none"), {}, throttle=((40.0, 1.0),), soak_s=0.1)
    assert bench.run(plan).outcome == "done"
    return bench, told


def words(bench: Bench) -> list[tuple[str, bool]]:
    return [(e.text, e.loud) for e in bench.events if "reference" in e.text]


def test_a_supply_near_that_at_calibration_is_worth_no_word() -> None:
    bench, told = run(AT_5_V)
    assert words(bench) == []
    assert [limit.high for limit in told if limit.where == 0] == [pytest.approx(12288, rel=1e-3)]


def test_a_low_supply_is_said_and_the_board_gets_limits_in_its_counts() -> None:
    bench, told = run(AT_5_V, "reference-low=4.6")
    ((text, loud),) = words(bench)
    assert "8.0 % below" in text and not loud
    # 100 A are 3.75 V, of 4.6 V and 16384 counts.
    high = [limit.high for limit in told if limit.where == 0]
    assert high == [pytest.approx(3.75 / 4.6 * 16384, rel=1e-3)]


def test_a_channel_that_reads_nothing_usable_is_said_and_hides_no_stop() -> None:
    bench, _ = run(16 * AT_5_V)
    ((text, loud),) = words(bench)
    assert "nothing usable" in text and loud
    assert not any("DID NOT TAKE EFFECT" in event.text for event in bench.events)


@pytest.mark.parametrize(("word", "proven"), [(NO_REFERENCE, True), ("glitch", False)])
def test_a_fall_is_seen_without_the_reference_but_not_in_a_faulty_reading(
    word: str, proven: bool
) -> None:
    stopping = Stopping(Conversation(), lambda _: None)
    stopping.expect_fall({"current_a": 40.0})
    sample = Sample(0.0, (0.3,), (), (("current_a", word),), CUT)
    assert stopping.is_proven(sample, {"current_a": 0.3}, obeys=True) is proven
