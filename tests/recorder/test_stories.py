"""What a table of single events cannot show: the same session over some time."""

from __future__ import annotations

from itertools import pairwise

from rig.protocol.commands import HEARTBEAT_LOST_S
from rig.recorder.conversation import AGAIN_AFTER_S
from rig.recorder.ending import COASTING_AT_MOST_S
from rig.recorder.link_loss import LINK_BACK_WITHIN_S, SILENT_AFTER_S
from rig.recorder.messages import ArmRun, StopRun
from rig.recorder.proof import PROVE_WITHIN_S
from rig.recorder.states import State
from rig.recorder.stopping import QUIET_BEFORE_STOP_AGAIN_S, UNPROVEN_AT_MOST_S
from tests.recorder.hand import ARMED, CUT, DRIVEN, RESTING, TOO_MUCH, Hand
from tests.recorder.test_trips import bench, plan

SHORT = ((70.0, 0.25),)


def test_a_run_says_what_it_must_in_order_and_nothing_after_its_stop() -> None:
    hand = Hand(throttle=SHORT).reach(State.ENDED)
    words = [word for word in hand.words() if word != "beat"]
    limits = words.count("limit")
    assert limits > 3
    assert words == ["hello", *["limit"] * limits, "arm", "throttle", "STOP", "stop"]
    last = hand.words()[-3:]
    assert last == ["beat", "STOP", "stop"], "no heartbeat after the stop"
    assert hand.session.ended is not None
    assert (hand.session.ended.outcome, hand.session.ended.exit_code) == ("done", 0)


def test_heartbeats_come_every_tenth_of_a_second_while_the_board_is_armed() -> None:
    hand = Hand().reach(State.RUNNING)
    before = len(hand.sent)
    hand.live(2.0)
    assert hand.words(before).count("beat") == 20


def test_nothing_is_armed_while_a_limit_is_passed() -> None:
    hand = Hand().reach(State.READY)
    before = len(hand.sent)
    hand.data(counts=TOO_MUCH)
    hand.session.on_order(ArmRun(), hand.now_s)
    hand.live(0.2)
    assert not {"arm", "limit", "throttle"} & set(hand.words(before))
    assert hand.session.state is State.READY
    assert any(event.loud and "not armed" in event.text for event in hand.said)


def test_nothing_is_armed_while_a_limit_that_has_a_hold_is_passed() -> None:
    hand = Hand().reach(State.READY)
    before = len(hand.sent)
    hand.data(counts=(*RESTING[:2], 16_368, *RESTING[3:]))  # the motor's thermistor is open
    hand.session.on_order(ArmRun(), hand.now_s)
    assert not {"arm", "limit"} & set(hand.words(before))
    assert any("not armed" in event.text for event in hand.said)


def test_nothing_is_armed_on_readings_that_are_old() -> None:
    hand = Hand().reach(State.READY)
    before = len(hand.sent)
    hand.tick(1.5)
    hand.session.on_order(ArmRun(), hand.now_s)
    assert not {"arm", "limit"} & set(hand.words(before))


def test_a_limit_that_is_passed_between_the_limits_and_the_arm_prevents_the_arm() -> None:
    hand = Hand().reach(State.ARMING)
    hand.data(counts=TOO_MUCH)
    hand.live(0.5)
    assert "arm" not in hand.words()
    assert hand.session.state is not State.ARMED


def test_a_stop_is_told_again_until_it_is_answered_and_then_no_more() -> None:
    hand = Hand().reach(State.RUNNING)
    hand.session.on_order(StopRun(), hand.now_s)
    before = len(hand.sent)
    for _ in range(40):
        hand.data(ARMED, DRIVEN)
        hand.session.on_time(hand.now_s)
    assert hand.words(before) == ["STOP", "stop"] * int(0.4 / AGAIN_AFTER_S)
    hand.answer()
    before = len(hand.sent)
    for _ in range(30):
        hand.data(ARMED, DRIVEN)
        hand.session.on_time(hand.now_s)
    assert hand.words(before) == []


def test_an_answer_alone_proves_no_stop() -> None:
    hand = Hand(throttle=SHORT).reach(State.STOPPING)
    hand.answer()
    hand.data(ARMED, RESTING)
    assert hand.session.state is State.STOPPING
    hand.data(CUT, RESTING)
    assert hand.session.state is State.COASTING


def test_a_board_that_says_cut_while_current_flows_has_not_stopped() -> None:
    hand = Hand(throttle=SHORT).reach(State.STOPPING)
    hand.answer()
    for _ in range(round(PROVE_WITHIN_S / 0.01) + 2):
        hand.data(CUT, DRIVEN)
        hand.session.on_time(hand.now_s)
    assert hand.session.state is State.UNPROVEN


def gaps_s(hand: Hand, seconds: float, press_every_s: float) -> list[float]:
    """Times between pieces sent in UNPROVEN, while an operator presses stop."""
    sent_s, count, pressed_s = [hand.now_s], len(hand.sent), hand.now_s
    for _ in range(round(seconds / 0.01)):
        hand.data(ARMED, DRIVEN)
        hand.session.on_time(hand.now_s)
        if hand.now_s - pressed_s >= press_every_s:
            pressed_s = hand.now_s
            hand.session.on_order(StopRun(), hand.now_s)
        if len(hand.sent) > count:
            sent_s.append(hand.now_s)
            count = len(hand.sent)
    return [later - before for before, later in pairwise(sent_s)]


def test_silence_before_an_unproven_stop_is_repeated_and_no_key_shortens_it() -> None:
    for press_every_s in (99.0, 0.2):
        hand = Hand(throttle=SHORT).reach(State.UNPROVEN)
        gaps = gaps_s(hand, 6.0, press_every_s)
        assert len(gaps) >= 6
        assert min(gaps) > HEARTBEAT_LOST_S + 0.1
        assert max(gaps) < QUIET_BEFORE_STOP_AGAIN_S + 0.1


def test_an_unproven_stop_ends_loudly_after_its_time_with_a_last_stop() -> None:
    hand = Hand(throttle=SHORT).reach(State.UNPROVEN)
    while hand.session.ended is None:
        before = len(hand.sent)
        hand.data(ARMED, DRIVEN)
        hand.session.on_time(hand.now_s)
        assert hand.now_s < 100.0 + UNPROVEN_AT_MOST_S + 5.0
    assert hand.words(before)[-2:] == ["STOP", "stop"]
    assert hand.session.ended.outcome == "stop not effective"
    loud = [event.text for event in hand.said if event.loud]
    assert any("THE STOP DID NOT TAKE EFFECT" in text and "by hand" in text for text in loud)


def test_a_board_that_talks_but_does_not_answer_is_not_armed() -> None:
    hand = Hand().reach(State.ARMING)
    before = len(hand.sent)
    for _ in range(120):
        hand.data()
        hand.session.on_time(hand.now_s)
    assert not {"arm", "throttle"} & set(hand.words(before))
    assert hand.words(before).count("stop") == 1, "it stands still, as its lines say"
    assert hand.session.run.verdict.exit_code == 4


def test_a_board_that_is_deaf_to_stop_cuts_because_the_host_falls_silent() -> None:
    stand = bench("ignores-stop")
    ended = stand.run(plan(throttle=((70.0, 1.0),)))
    assert not stand.board.truth.driven
    states = [b for b in stand.journal if b.startswith(b"!state")]
    assert b"unproven" in b"".join(states)
    assert b"coasting" in b"".join(states)
    assert ended.exit_code == 4, "the run is not done: its stop was not obeyed"


def test_a_board_that_is_armed_again_while_it_coasts_is_stopped_again() -> None:
    hand = Hand(throttle=SHORT, soak_s=30.0).reach(State.COASTING)
    hand.live(1.0)
    before = len(hand.sent)
    hand.data(ARMED, RESTING)
    assert hand.words(before) == ["STOP", "stop"]


def test_a_recorder_that_stood_still_knows_that_the_board_has_cut() -> None:
    hand = Hand(throttle=((70.0, 0.5),)).reach(State.RUNNING)
    hand.now_s += 1.0
    hand.session.on_time(hand.now_s)
    hand.live(3.0)
    assert hand.session.ended is not None
    assert hand.session.ended.exit_code == 4


def test_a_link_that_comes_back_is_stopped_recorded_and_never_driven() -> None:
    hand = Hand().reach(State.RUNNING)
    hand.session.on_link_lost("unplugged", hand.now_s)
    before = len(hand.sent)
    for _ in range(500):
        hand.tick()
    assert hand.session.state is State.UNPROVEN
    assert set(hand.words(before)) == {"STOP", "stop"}
    before, lines = len(hand.sent), len(hand.kept)
    hand.session.on_link_back(hand.now_s)
    assert hand.words(before) == ["STOP", "stop"]
    hand.status, hand.counts = CUT, RESTING
    hand._answered = len(hand.commands())
    hand.live(1.5)
    assert sum(line.startswith(b"D,") for line in hand.kept[lines:]) > 50
    assert hand.session.ended is not None
    assert hand.session.ended.outcome == "link lost"
    assert set(hand.words(before)) == {"STOP", "stop"}


def test_a_link_that_stays_away_is_waited_for_ten_seconds_and_the_stop_was_not_seen() -> None:
    hand = Hand().reach(State.RUNNING)
    hand.session.on_link_lost("unplugged", hand.now_s)
    began_s = hand.now_s
    while hand.session.ended is None:
        hand.tick()
        assert hand.now_s - began_s < LINK_BACK_WITHIN_S + 1.0
    assert hand.session.ended.outcome == "stop not seen"
    assert "by hand" in hand.session.ended.to_do
    assert hand.words()[-2:] == ["STOP", "stop"]


def test_a_line_that_falls_silent_is_a_lost_link_too() -> None:
    hand = Hand().reach(State.RUNNING)
    for _ in range(round(SILENT_AFTER_S / 0.01) + 1):
        hand.tick()
    assert any("LINK IS LOST" in event.text for event in hand.said)


def test_a_coast_that_is_not_seen_ends_by_itself() -> None:
    hand = Hand(throttle=SHORT).reach(State.COASTING)
    hand.session.on_link_lost("unplugged", hand.now_s)
    for _ in range(round(LINK_BACK_WITHIN_S / 0.01) + 2):
        hand.tick()
    assert hand.session.ended is not None
    assert hand.session.ended.outcome == "done"


def test_a_rotor_that_never_rests_is_not_recorded_for_ever() -> None:
    hand = Hand(throttle=SHORT).reach(State.COASTING)
    began_s = hand.now_s
    while hand.session.ended is None:
        hand.data(CUT, DRIVEN)
        hand.session.on_time(hand.now_s)
    assert hand.now_s - began_s < COASTING_AT_MOST_S + 1.0


def test_the_hosts_own_lines_are_kept_as_the_boards_words_only() -> None:
    hand = Hand().reach(State.RUNNING)
    lines = len(hand.kept)
    hand.say(b'!end,1.000000,{"outcome":"done"}*0000\n')
    assert hand.kept[lines].startswith(b"?!end")


def test_the_stop_of_a_trip_goes_out_before_anything_is_kept() -> None:
    hand = Hand().reach(State.RUNNING)
    order: list[str] = []
    session = hand.session
    session._keep = lambda data: order.append(data[:2].decode())
    session._ending.stopping._send = lambda data: order.append(data.decode().split("\n")[1])
    hand.data(counts=TOO_MUCH)
    assert order[0] == "stop"
    assert "D," in order


def test_a_board_of_another_boot_gets_no_arm_and_no_throttle() -> None:
    hand = Hand().reach(State.RUNNING)
    before = len(hand.sent)
    hand.boot += 1
    hand.introduce()
    hand.live(3.0)
    assert not {"arm", "throttle", "beat"} & set(hand.words(before))
