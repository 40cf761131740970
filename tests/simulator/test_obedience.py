"""What a board does with what it is told: every command, every refusal, stop above all."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.protocol import commands
from rig.protocol.commands import EDGES, Arm, AskHello, Beat, Limit, Stop, Throttle, Zero
from rig.protocol.framing import frame
from rig.protocol.records import Answer, Channel, Data, Hello, Status
from rig.simulator.board import demo_board
from rig.simulator.settings import BY_HAND, NOTHING
from tests.simulator.host import Host

DRIVE_OFF_S = 0.01
"""firmware_protocol.md, "Timing": the drive is off within 10 ms of a stop line's last byte."""


def host(**settings: object) -> Host:
    return Host(demo_board(**settings))  # type: ignore[arg-type]


def reason(answer: Answer | None) -> str:
    assert answer is not None
    return answer.reason


def test_power_up() -> None:
    fresh = host()
    assert [type(r) for r in fresh.records[:6]] == [Hello] + 5 * [Channel]
    assert fresh.status == Status.CUT
    assert not fresh.board.truth.driven


def test_hello_comes_again_before_its_answer() -> None:
    asked = host()
    before = len(asked.records)
    assert reason(asked.tell(AskHello())) == ""
    said = [r for r in asked.records[before:] if not isinstance(r, Data)]
    assert [type(r) for r in said] == [Hello] + 5 * [Channel] + [Answer]


def test_arm_throttle_and_stop() -> None:
    stand = host()
    assert reason(stand.tell(Arm(stand.hello.boot))) == ""
    assert stand.status == Status.ARMED
    assert reason(stand.tell(Throttle(500))) == ""
    stand.pass_time(1.0)
    assert stand.board.truth.driven and stand.board.truth.speed_rpm > 5000
    assert reason(stand.tell(Arm(stand.hello.boot))) == ""
    stand.pass_time(0.1)
    assert stand.board.truth.driven, "arming again changes nothing"
    assert reason(stand.tell(Stop())) == ""
    assert stand.status == Status.CUT
    assert [(c.cause, c.where) for c in stand.cuts] == [("stop", "-")]
    speed_rpm = stand.board.truth.speed_rpm
    stand.pass_time(0.5)
    assert stand.board.truth.speed_rpm < 0.9 * speed_rpm


def test_throttle_is_back_at_nothing_after_a_cut() -> None:
    stand = host()
    stand.run(600, 0.5)
    stand.tell(Stop())
    stand.tell(Arm(stand.hello.boot))
    stand.pass_time(0.2)
    assert stand.status == Status.ARMED and not stand.board.truth.driven


@pytest.mark.parametrize(
    ("options", "armed", "command", "expected"),
    [
        ({}, False, Arm(65_535), "boot"),
        ({}, False, Throttle(100), "state"),
        ({}, False, Limit(5, 0, 1, 0), "range"),
        ({}, False, Zero(5), "range"),
        ({}, False, Zero(1), "cannot"),
        ({}, True, Zero(0), "state"),
        ({"abilities": BY_HAND}, True, Throttle(100), "cannot"),
        ({"abilities": "ST"}, False, Limit(0, 0, 1, 0), "cannot"),
        ({"abilities": "ST"}, False, Zero(0), "cannot"),
    ],
)
def test_refusals(
    options: dict[str, object], armed: bool, command: commands.Command, expected: str
) -> None:
    stand = host(seed=1, **options)
    assert stand.hello.boot != 65_535
    if armed:
        stand.tell(Arm(stand.hello.boot))
    assert reason(stand.tell(command)) == expected
    assert stand.board.armed == armed


@pytest.mark.parametrize(
    ("body", "expected"),
    [("dance,7", "unknown"), ("throttle,7", "fields"), ("throttle,7,1001", "fields")],
)
def test_lines_that_are_no_command(body: str, expected: str) -> None:
    stand = host()
    stand.board.receive(frame(body))
    answers = [r for r in stand.pass_time(0.05) if isinstance(r, Answer) and r.number == 7]
    assert [a.reason for a in answers] == [expected]


@pytest.mark.parametrize(
    "line", [b"beat,1*0000\n", b"beat,1\n", b"\xff\xfe\n", b"x" * 500 + b"\n", frame("beat")]
)
def test_a_line_that_cannot_be_framed_is_told_of_and_not_answered(line: bytes) -> None:
    stand = host()
    stand.beating = False
    stand.pass_time(0.05)
    stand.board.receive(line)
    new = stand.pass_time(0.05)
    assert not any(isinstance(r, Answer) for r in new)
    rejected = [bool(r.status & Status.REJECTED) for r in new if isinstance(r, Data)]
    assert rejected[0] and not any(rejected[1:])


def test_a_line_that_was_dropped_does_not_clear_the_rejected_bit() -> None:
    """At 9600 baud most of 200 lines a second find no room; each damaged line is told of."""
    stand = Host(demo_board(seed=1, baud=9600))
    for _ in range(10):
        stand.pass_time(1.0)
        stand.board.receive(b"beat,1*0000\n")
        new = stand.pass_time(2.0)
        assert any(r.status & Status.REJECTED for r in new if isinstance(r, Data))


def test_an_empty_line_is_nothing() -> None:
    stand = host()
    stand.board.receive(b"\n\r\n")
    assert not any(r.status & Status.REJECTED for r in stand.pass_time(0.05) if isinstance(r, Data))


STOPS = {
    "numbered": commands.line(Stop(), 9),
    "bare": b"stop\n",
    "bare, as people type it": b"  StoP \r\n",
    "after half a line": b"throttle,5,9" + commands.STOP_WORD,
    "both": b"arm,1" + commands.stop_lines(9),
}


@pytest.mark.parametrize("state", ["at rest", "armed", "driven", "cut by a limit", "silent host"])
@pytest.mark.parametrize("stop", STOPS)
def test_stop_in_every_state(stop: str, state: str) -> None:
    stand = host()
    if state != "at rest":
        stand.run(0 if state == "armed" else 600, 0.4)
    if state == "cut by a limit":
        stand.tell(Limit(0, None, 0, 0))
    if state == "silent host":
        stand.beating = False
        stand.pass_time(0.6)
    cuts, was_armed = len(stand.cuts), stand.board.armed
    assert was_armed == (state in ("armed", "driven"))
    stand.board.receive(STOPS[stop])
    stand.records += stand.decoder.feed(stand.board.advance(DRIVE_OFF_S))
    assert not stand.board.armed and not stand.board.truth.driven
    assert len(stand.cuts) == cuts + was_armed
    stand.pass_time(0.05)
    assert stand.status & Status.CUT and not stand.status & Status.ARMED


def test_stop_byte_by_byte() -> None:
    stand = host()
    stand.run(600, 0.3)
    for byte in commands.STOP_WORD:
        assert stand.board.truth.driven
        stand.board.receive(bytes([byte]))
        stand.board.advance(0.002)
    assert not stand.board.truth.driven


def test_a_word_that_only_contains_stop_is_none() -> None:
    stand = host()
    stand.run(600, 0.3)
    stand.board.receive(b"nonstop\nstopp\n")
    stand.pass_time(0.05)
    assert stand.board.armed


def test_a_silent_host_is_noticed_after_half_a_second() -> None:
    stand = host(ideal=True)
    stand.run(600, 1.0)
    stand.board.receive(commands.line(Beat(), 1))
    heard_tick = stand.board.truth.tick
    stand.beating = False
    stand.pass_time(0.7)
    (cut,) = stand.cuts
    assert (cut.cause, cut.where) == ("heartbeat", "-")
    waited_s = (cut.tick - heard_tick) / 2_000_000
    assert waited_s == pytest.approx(commands.HEARTBEAT_LOST_S, abs=0.002)
    assert stand.status == Status.CUT | Status.HEARTBEAT
    assert not stand.board.truth.driven
    stand.beating = True
    stand.tell(Arm(stand.hello.boot))
    assert stand.status == Status.ARMED


def test_damaged_lines_are_no_heartbeat() -> None:
    stand = host()
    stand.run(600, 0.3)
    stand.beating = False
    for _ in range(7):
        stand.board.receive(b"beat,1*0000\n")
        stand.pass_time(0.1)
    assert not stand.board.armed


def test_a_limit_on_a_channel_cuts_after_its_hold() -> None:
    stand = host(ideal=True)
    at_20_a = round(20.0 * 0.00075 * 50.0 / 5.0 * 1024 * 16)
    assert reason(stand.tell(Limit(0, None, at_20_a, 100))) == ""
    stand.run(1000, 1.5)
    (cut,) = stand.cuts
    assert (cut.cause, cut.where) == ("limit", "0")
    assert stand.status == Status.CUT | Status.LIMIT
    beyond = [d.tick for d in stand.data if d.counts[0] > at_20_a]
    assert (cut.tick - beyond[0]) / 2_000_000 == pytest.approx(0.1, abs=0.011)


def test_a_limit_on_edges_cuts_at_its_speed() -> None:
    """300 edges per second from two marks are 9000 rpm."""
    stand = host(ideal=True)
    speeds_rpm: list[float] = []
    stand.board.on_line = lambda truth: speeds_rpm.append(truth.speed_rpm)
    assert reason(stand.tell(Limit(EDGES, None, 300, 0))) == ""
    stand.run(1000, 2.0)
    (cut,) = stand.cuts
    assert (cut.cause, cut.where) == ("limit", "e")
    assert 9_000 < max(speeds_rpm) < 11_000, "measured over 100 ms of a speed that still rises"


def test_limits_hold_only_while_armed_outlive_a_cut_and_can_be_taken_away() -> None:
    stand = host()
    stand.tell(Limit(1, 16_000, None, 0))
    stand.pass_time(0.2)
    assert not stand.cuts
    stand.tell(Arm(stand.hello.boot))
    stand.tell(Arm(stand.hello.boot))
    assert [c.where for c in stand.cuts] == ["1", "1"]
    stand.tell(Limit(1, None, None, 0))
    stand.tell(Arm(stand.hello.boot))
    stand.pass_time(0.2)
    assert stand.board.armed


def test_zero_takes_the_present_reading_off() -> None:
    stand = host(stand_seed=4)
    read = [d.counts[0] for d in stand.data[-5:]]
    before = len(stand.records)
    assert reason(stand.tell(Zero(0))) == ""
    said = [r for r in stand.records[before:] if not isinstance(r, Data)]
    assert [type(r) for r in said] == [Channel, Answer]
    assert min(read) - 20 < stand.channels[0].zero < max(read) + 20
    assert abs(stand.data[-1].counts[0]) < 20
    stand.tell(Zero(0))
    total = stand.data[-1].counts[0] + stand.channels[0].zero
    assert abs(total - read[-1]) < 30


def test_a_board_that_only_talks() -> None:
    stand = host(abilities=NOTHING, throttle=0.5)
    assert stand.hello.abilities == frozenset() and stand.status == 0
    stand.pass_time(1.0)
    assert stand.board.truth.driven
    stand.board.receive(b"\n".join([b"", *STOPS.values(), b"garbage", b""]))
    new = stand.pass_time(4.1)
    assert not any(isinstance(r, Answer) for r in new)
    assert {r.status for r in new if isinstance(r, Data)} == {0}
    assert stand.board.truth.driven
    assert sum(isinstance(r, Hello) for r in new) == 2, "it says hello every two seconds"
    # The tick of the data line before each hello but the first, which comes at power-up.
    ticks = [
        before.tick
        for before, record in pairwise(r for r in stand.records if isinstance(r, Hello | Data))
        if isinstance(record, Hello) and isinstance(before, Data)
    ]
    two_s, line = 2 * stand.hello.tick_hz, stand.hello.tick_hz // stand.hello.line_hz
    assert ticks == [pytest.approx(two_s * nth, rel=0.005, abs=2 * line) for nth in (1, 2)]
    assert len([r for r in new if isinstance(r, Channel)]) == 2 * len(stand.channels)


def test_a_board_whose_throttle_is_worked_by_hand() -> None:
    stand = host(abilities=BY_HAND, throttle=0.5)
    assert not stand.hello.can_throttle and not stand.board.truth.driven
    stand.tell(Arm(stand.hello.boot))
    stand.pass_time(0.5)
    assert stand.board.truth.driven
    stand.tell(Stop())
    assert not stand.board.truth.driven


WELL_FRAMED = st.text("abcdehlmnoprstuz,0123456789-", max_size=40).map(frame)
FRAGMENTS = st.sampled_from([b"\n", b"\r\n", b"stop\n", b"arm,1,", commands.line(Throttle(999), 1)])


@settings(max_examples=60)
@given(
    st.lists(st.one_of(st.binary(max_size=200), WELL_FRAMED, FRAGMENTS), max_size=20),
    st.integers(0, 65_535),
)
def test_any_bytes_whatever_never_raise_and_never_arm(pieces: list[bytes], boot: int) -> None:
    board = demo_board()
    wrong = boot if boot != Host(board).hello.boot else boot ^ 1
    for piece in [*pieces, commands.line(Arm(wrong), 2)]:
        board.receive(piece)
        board.advance(0.003)
    assert not board.armed and not board.truth.driven


def test_an_endless_line_is_not_kept_and_the_next_one_is_heard() -> None:
    stand = host()
    for _ in range(1000):
        stand.board.receive(b"x" * 1000)
    assert len(stand.board._heard) < 200
    stand.board.receive(b"\n")
    assert reason(stand.tell(Arm(stand.hello.boot))) == ""
