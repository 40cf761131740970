"""Zeros on the operator's word: when the session asks for one, and what follows from it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rig.captures.capture import load
from rig.captures.convert import convert, recalibrate
from rig.protocol import commands
from rig.protocol.framing import frame
from rig.protocol.records import Remark
from rig.recorder.messages import ArmRun, TakeZero
from rig.recorder.states import State
from rig.stand.plausibility import Plausibility
from rig.stand.settings import demo_stand, stand_to_dict
from tests.recorder.hand import ARMED, DRIVEN, RESTING, Hand

OFFSET = RESTING[0]


def ready(**plan: object) -> Hand:
    return Hand("STLZ", **plan).reach(State.READY)


def zero(hand: Hand) -> None:
    hand.session.on_order(TakeZero(), hand.now_s)


def amps(hand: Hand) -> float:
    snapshot = hand.session.snapshot(hand.now_s)
    return dict(zip(snapshot.columns, snapshot.values, strict=True))["current_a"]


def test_a_zero_is_asked_told_recorded_and_read_from() -> None:
    hand = ready()
    assert amps(hand) > 0.5
    zero(hand)
    assert hand.words()[-1] == "zero"
    hand.data()
    assert amps(hand) > 0.5  # as it was: the board has not said what it takes off
    hand.say_zero(OFFSET)
    hand.answer()
    hand.data()
    assert amps(hand) == 0.0
    assert hand.session.state is State.READY
    assert hand.said[-1].text == "Zero taken: the board takes 80 counts off 'shunt'."
    kept = b"".join(hand.kept)
    assert b'"zero,2,0*' in kept and b"Zero taken" in kept and b",LZ,80*" in kept


def test_what_was_read_before_the_zero_is_no_reading_at_rest_after_it() -> None:
    hand = ready()
    hand.live(1.0)
    zero(hand)
    hand.say_zero(OFFSET)
    hand.answer()
    hand.live(0.05)
    assert hand.session.run.rest is not None
    lines = hand.session.run.rest.collected().lines
    assert [line.sample.values[0] for line in lines] == [0.0] * 5


def test_doubts_after_the_zero_are_of_the_input_as_it_is_read_then() -> None:
    hand = ready()

    def resolved() -> tuple[float, float]:
        doubts = hand.session.run.plausibility
        assert doubts is not None
        return doubts._driven.sure_a, doubts._driven.bottom_a

    before = resolved()
    zero(hand)
    hand.say_zero(OFFSET)
    hand.answer()
    # The offset's tolerance is gone, and the lower end of the scale lies below zero.
    assert resolved()[0] < 0.8 * before[0]
    assert resolved()[1] < before[1]
    sampler = hand.session.run.sampler
    assert sampler is not None
    fresh = Plausibility(demo_stand(), sampler)._driven
    assert resolved() == (fresh.sure_a, fresh.bottom_a)


def test_no_limit_is_sent_before_the_zero_and_then_it_is_less_the_zero() -> None:
    plain, zeroed = ready(), ready()
    zero(zeroed)
    zeroed.session.on_order(ArmRun(), zeroed.now_s)
    assert zeroed.session.state is State.READY
    assert zeroed.said[-1].text == "not armed: a zero is being taken"
    zeroed.say_zero(OFFSET)
    zeroed.answer()
    high = []
    for hand in (plain, zeroed):
        hand.data()
        hand.session.on_order(ArmRun(), hand.now_s)
        heard = commands.parse_command(hand.sent[-1].strip())
        assert isinstance(heard, tuple) and isinstance(heard[1], commands.Limit)
        high.append(heard[1].high)
    # 100 A are 3.75 V of 5 V, 12288 counts. Without a zero the demo stand takes the offset for
    # nothing; with it, as many counts are less the zero as the amplifier makes of 100 A.
    assert high == [12288, 12288]


@pytest.mark.parametrize(
    ("counts", "status", "why"),
    [
        (DRIVEN, None, "stand still"),
        ((-400, *RESTING[1:]), None, "is no zero error"),
        (None, ARMED, "armed"),
    ],
)
def test_none_is_taken_where_something_may_flow(
    counts: tuple[int, ...] | None, status: int | None, why: str
) -> None:
    hand = ready()
    for _ in range(3):
        hand.data(status, counts)
    before = len(hand.sent)
    zero(hand)
    assert hand.sent[before:] == []
    assert "no zero taken" in hand.said[-1].text and why in hand.said[-1].text
    assert hand.said[-1].loud


def test_a_board_that_cannot_is_not_asked() -> None:
    hand = Hand("STL").reach(State.READY)
    zero(hand)
    assert "zero" not in hand.words()
    assert "no channel that it can zero" in hand.said[-1].text


def test_a_refusal_leaves_the_run_ready_where_a_person_decides() -> None:
    hand = ready()
    zero(hand)
    hand.answer("cannot")
    assert hand.session.state is State.READY
    assert hand.said[-1].text == "no zero taken: the board refused: cannot"
    hand.session.on_order(ArmRun(), hand.now_s)
    assert hand.session.state is State.ARMING


def test_a_zero_that_is_not_told_or_not_answered_ends_the_run_before_it_begins() -> None:
    silent, untold = ready(), ready()
    zero(silent)
    silent.tick(0.2)
    assert silent.words()[-2:] == ["zero", "zero"]
    silent.data()
    silent.tick(0.9)
    zero(untold)
    untold.answer()
    for hand, cause in ((silent, "does not answer 'zero'"), (untold, "did not say")):
        assert hand.session.ended is not None
        assert hand.session.ended.outcome == "link lost"
        assert cause in hand.session.ended.cause
        assert "STOP" not in hand.words()


def test_a_command_that_was_told_again_takes_a_second_zero_and_that_counts() -> None:
    hand = ready()
    zero(hand)
    hand.tick(0.2)
    hand.say_zero(OFFSET)
    hand.answer()
    hand.say_zero(OFFSET + 3)
    hand.answer()
    channels = hand.session.run.board.channels()
    assert channels is not None and channels[0].zero == OFFSET + 3
    assert hand.session.state is State.READY


def live(hand: Hand, seconds: float) -> None:
    for _ in range(round(seconds / 0.01)):
        hand.data()
        hand.session.on_time(hand.now_s)
        if hand.words()[-1] == "zero" and not hand.zero:
            hand.say_zero(OFFSET)
        hand.settle()


def test_a_run_by_itself_takes_the_zero_before_it_arms() -> None:
    hand = Hand("STLZ", automatic=True, zero=True)
    hand.tick()
    live(hand, 2.0)
    assert hand.session.state is State.RUNNING
    words = [word for word in hand.words() if word not in ("beat", "hello")]
    assert words[0] == "zero" and words.count("zero") == 1 and words[-2:] == ["arm", "throttle"]


def test_a_run_by_itself_that_cannot_have_its_zero_is_not_begun() -> None:
    hand = Hand("STL", automatic=True, zero=True)
    hand.tick()
    hand.settle()
    hand.live(1.0)
    assert hand.session.ended is not None
    assert hand.session.ended.outcome == "not zeroed"
    assert "arm" not in hand.words()


def test_a_capture_has_one_zero_from_its_first_row_to_its_last(tmp_path: Path) -> None:
    hand = Hand("STLZ", automatic=True, zero=True)
    hand.tick()
    live(hand, 2.0)
    begin = frame(
        Remark("begin", 0.0, {"setup": "early", "stand": stand_to_dict(demo_stand())}).body()
    )
    journal, log = tmp_path / "a.journal", tmp_path / "b.log"
    journal.write_bytes(begin + b"".join(hand.kept))
    log.write_bytes(b"".join(line for line in hand.kept if not line.startswith(b"!")))
    made = [convert(journal), convert(log, stand=demo_stand())]
    newer = replace(demo_stand(), name="newer")
    made.append(recalibrate(made[0], newer, tmp_path / "c.parquet"))
    for path in made:
        capture = load(path)
        assert capture.meta.channels[0].endswith(f",LZ,{OFFSET}")
        resting = capture.frame[capture.frame["status"] != ARMED]
        assert len(resting) > 60
        assert set(resting["shunt_count"]) == {0}
        assert set(resting["current_a"]) == {0.0}
        assert set(resting["pack_count"]) == {RESTING[1]}
    assert any("Zero taken" in mark["text"] for mark in load(made[0]).meta.marks)
