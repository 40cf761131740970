"""The first thing every run does: the stand at rest is judged, and not armed where it is unfit."""

from __future__ import annotations

import pytest

from rig.recorder.messages import ArmRun
from rig.recorder.states import State
from tests.recorder.hand import RESTING, Hand

TEN_AMPERES = (1310, *RESTING[1:])
EMPTY = (*RESTING[:1], 9728, *RESTING[2:])
"""19.6 V: a divider that is 20 % off, between the limits of the supply."""

WARM = (*RESTING[:2], 5000, *RESTING[3:])


def waited(hand: Hand, counts: tuple[int, ...], seconds: float = 3.0) -> Hand:
    """`counts` at rest, for so long or until the run has ended."""
    hand.counts = counts
    hand.tick()
    hand.settle()
    for _ in range(round(seconds / 0.01)):
        if hand.session.ended is None:
            hand.data()
            hand.session.on_time(hand.now_s)
            hand.settle()
    return hand


def unarmed(hand: Hand) -> bool:
    return not {"arm", "limit", "throttle"} & set(hand.words())


@pytest.mark.parametrize(
    ("counts", "words"),
    [(TEN_AMPERES, ["Current is 10"]), (EMPTY, ["3.27 V for each"]),
     ((*TEN_AMPERES[:1], *EMPTY[1:]), ["Current is 10", "3.27 V for each"])],
)  # fmt: skip
def test_a_run_by_itself_ends_before_it_arms_and_names_all(
    counts: tuple[int, ...], words: list[str]
) -> None:
    hand = waited(Hand(automatic=True), counts)
    ended = hand.session.ended
    assert ended is not None and (ended.outcome, ended.exit_code) == ("not armed", 3)
    assert all(word in ended.cause for word in words)
    assert ended.to_do
    assert unarmed(hand)


def test_an_operator_is_refused_until_it_is_mended() -> None:
    hand = waited(Hand(), EMPTY, 1.0)
    found = hand.session.snapshot(hand.now_s).findings
    assert found is not None and [f.severity for f in found if f.about == "voltage_v"] == ["refuse"]
    hand.session.on_order(ArmRun(), hand.now_s)
    assert hand.session.state is State.READY and unarmed(hand)
    assert any(event.loud and "3.27 V" in event.text for event in hand.said)
    waited(hand, RESTING, 0.6)
    hand.session.on_order(ArmRun(), hand.now_s)
    assert hand.session.state is State.ARMING
    assert hand.session.snapshot(hand.now_s).findings is None


def test_a_note_is_said_and_kept_once_and_the_run_goes_on() -> None:
    hand = waited(Hand(automatic=True, throttle=((70.0, 0.2),)), WARM)
    assert hand.session.ended is not None and hand.session.ended.outcome == "done"
    said = [event for event in hand.said if "Still warm from a run?" in event.text]
    assert len(said) == 1 and not said[0].loud
    assert b"".join(hand.kept).count(b"Still warm from a run?") == 1


@pytest.mark.parametrize(
    ("abilities", "automatic", "refused"),
    [("STL", True, True), ("SL", True, False), ("", True, False), ("STL", False, False)],
)
def test_a_run_without_throttle_is_refused_where_the_board_drives_it(
    abilities: str, automatic: bool, refused: bool
) -> None:
    hand = Hand(abilities, throttle=(), seconds=0.2, automatic=automatic)
    ended = waited(hand, RESTING, 1.5).session.ended
    assert (ended is not None and ended.outcome == "settings") == refused
    if refused:
        assert ended is not None and ended.exit_code == 2
        assert "--throttle" in ended.to_do and unarmed(hand)


@pytest.mark.parametrize(("every_s", "waits_s"), [(0.01, 0.5), (0.05, 1.0), (0.2, 1.5)])
def test_a_slow_board_is_heard_for_longer_but_not_for_long(every_s: float, waits_s: float) -> None:
    hand = Hand(automatic=True)
    hand.tick()
    hand.settle()
    began_s = hand.now_s
    while hand.session.state is State.READY:
        hand.now_s += every_s - 0.01
        hand.data()
        hand.session.on_time(hand.now_s)
        assert hand.now_s < began_s + 2.0
    assert hand.now_s - began_s == pytest.approx(waits_s, abs=every_s + 0.011)
