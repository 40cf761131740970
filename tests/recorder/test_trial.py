"""A way to stop a running motor, tried: the board must cut by itself, and a stop follows."""

from __future__ import annotations

import pytest

from rig.protocol.commands import Limit
from rig.recorder.messages import Ended, Prove, SetThrottle, StopRun
from rig.recorder.states import HEARTBEATS, State
from tests.recorder.hand import ARMED, CUT, DRIVEN, HEARTBEAT, LIMIT, RESTING, TOO_MUCH, Hand

LIMIT_BELOW = Limit(0, None, 4000, 0)


def trying(way: str, limit: Limit | None = None) -> Hand:
    """A motor that runs, and the way just tried; `sent` holds what went out since."""
    hand = Hand(throttle=((70.0, 30.0),)).reach(State.RUNNING)
    hand.answer()
    hand.sent.clear()
    hand.session.on_order(Prove(way, limit), hand.now_s)
    return hand


def drive_on(hand: Hand, seconds: float) -> None:
    """The motor goes on turning, whatever was said."""
    for _ in range(round(seconds / 0.01)):
        hand.data(ARMED, DRIVEN)
        hand.tick(0.0)


def fall(hand: Hand, status: int) -> None:
    for _ in range(20):
        hand.data(status, RESTING)
        hand.tick(0.0)


def end(hand: Hand) -> Ended:
    """At rest until it is over."""
    for _ in range(400):
        if hand.session.ended is not None:
            return hand.session.ended
        hand.data(CUT, RESTING)
        hand.tick(0.0)
    raise AssertionError("it did not end")


def test_silence_is_one_last_beat_and_then_nothing_until_the_fall_was_seen() -> None:
    hand = trying("silence")
    drive_on(hand, 0.5)
    assert hand.words() == ["beat"]
    hand.cut("heartbeat")
    drive_on(hand, 0.1)
    assert hand.words() == ["beat"], "a cut that is only said is no proof"
    fall(hand, CUT | HEARTBEAT)
    assert hand.words()[:3] == ["beat", "STOP", "stop"]
    ended = end(hand)
    assert (ended.outcome, ended.exit_code) == ("done", 0)
    assert ended.seen is not None
    assert ended.seen.cut_s == pytest.approx(0.5, abs=0.011)
    assert ended.seen.fell_s == pytest.approx(0.61, abs=0.011)


def test_what_is_not_answered_does_not_break_the_silence() -> None:
    hand = Hand(throttle=((70.0, 30.0),)).reach(State.RUNNING)
    hand.session.on_order(SetThrottle(20.0), hand.now_s)
    hand.sent.clear()
    hand.session.on_order(Prove("silence"), hand.now_s)
    drive_on(hand, 0.6)
    assert hand.words() == ["beat"]


@pytest.mark.parametrize(
    ("way", "deadline_s", "beats"),
    [("silence", 1.0, False), ("limit", 1.0, True), ("stop input", 20.0, True)],
)
def test_without_a_cut_the_stop_comes_at_the_deadline(
    way: str, deadline_s: float, beats: bool
) -> None:
    hand = trying(way, LIMIT_BELOW if way == "limit" else None)
    if way == "limit":
        hand.answer()
    drive_on(hand, deadline_s - 0.05)
    assert "STOP" not in hand.words()
    assert (hand.words().count("beat") > 1) == beats
    drive_on(hand, 0.1)
    assert "STOP" in hand.words()
    ended = end(hand)
    assert (ended.outcome, ended.cause) == ("not proven", f"not stopped by: {way}")
    assert ended.seen is not None and ended.seen.cut_s is None


def test_a_cut_that_takes_nothing_away_is_a_stop_that_did_not_take_effect() -> None:
    hand = trying("silence")
    drive_on(hand, 0.5)
    hand.cut("heartbeat")
    for _ in range(420):
        hand.data(CUT | HEARTBEAT, DRIVEN)
        hand.tick(0.0)
    assert hand.session.state is State.UNPROVEN
    assert any("THE STOP DID NOT TAKE EFFECT" in event.text for event in hand.said)


@pytest.mark.parametrize("way", ["silence", "limit", "stop input"])
def test_a_limit_of_the_stand_stops_at_once_whatever_is_tried(way: str) -> None:
    hand = trying(way, LIMIT_BELOW if way == "limit" else None)
    hand.sent.clear()
    hand.data(ARMED, TOO_MUCH)
    assert hand.words()[0] == "STOP"
    assert end(hand).outcome == "tripped"


def test_the_operator_stops_at_once_also_during_silence() -> None:
    hand = trying("silence")
    hand.session.on_order(StopRun(), hand.now_s)
    assert hand.words() == ["beat", "STOP", "stop"]
    assert end(hand).outcome == "operator"


@pytest.mark.parametrize(("way", "cause"), [("silence", "limit"), ("stop input", "fault")])
def test_another_cause_is_no_proof(way: str, cause: str) -> None:
    hand = trying(way)
    hand.cut(cause)
    assert "STOP" in hand.words()
    assert end(hand).outcome == "tripped"


def test_a_limit_that_is_refused_stops_the_motor() -> None:
    hand = trying("limit", LIMIT_BELOW)
    hand.answer("range")
    assert hand.words()[-2:] == ["STOP", "stop"]
    assert end(hand).cause == "the board refused 'limit': range"


def test_a_limit_that_cuts_is_proven_by_the_fall() -> None:
    hand = trying("limit", LIMIT_BELOW)
    hand.answer()
    hand.cut("limit", "0")
    fall(hand, CUT | LIMIT)
    ended = end(hand)
    assert ended.outcome == "done" and ended.seen is not None and ended.seen.fell_s is not None


def test_a_plain_stop_is_timed_too() -> None:
    hand = trying("stop")
    assert hand.words() == ["STOP", "stop"]
    hand.cut("stop")
    fall(hand, CUT)
    ended = end(hand)
    assert ended.seen is not None and ended.seen.fell_s == pytest.approx(0.01, abs=0.011)


@pytest.mark.parametrize("state", [s for s in State if s not in (State.RUNNING, State.ENDED)])
def test_nothing_is_tried_unless_the_motor_runs(state: State) -> None:
    hand = Hand(throttle=((70.0, 4.0 if state in HEARTBEATS else 0.25),)).reach(state)
    before = hand.words()
    hand.session.on_order(Prove("silence"), hand.now_s)
    assert hand.words() == before and hand.session.state is state


@pytest.mark.parametrize(
    ("firmware", "loud"), [("1", []), ("2", ["THE STOP IS NOT PROVEN"])], ids=["same", "other"]
)
def test_a_stop_proven_with_another_firmware_is_not_proven(firmware: str, loud: list[str]) -> None:
    hand = Hand()
    hand.session.plan.beginning["stop_proof"] = {  # type: ignore[index]
        "proven": True, "board": "by hand", "firmware": firmware,
    }  # fmt: skip
    hand.reach(State.READY)
    assert [event.text.split(":")[0] for event in hand.said if event.loud] == loud
