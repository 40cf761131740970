"""What the firmware decides, checked on this computer: each check is a function of a maker of
boards, and fails by an assertion.

    python -m tests.firmware.decisions world.so

runs them all against one build and stops at the first that fails; that is how mutants are judged.
Bounds are those of firmware_protocol.md.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

from rig.protocol.commands import Arm, AskHello, Beat, Limit, Stop, Throttle, Zero
from rig.protocol.framing import frame
from tests.firmware.world import World

Make = Callable[..., World]

LINE_S = 0.010
RATE_S = 0.100
"""Edges per second are measured over at least this; a change is seen in the second measurement."""

ARMED, CUT, LIMIT, HEARTBEAT, WATCHDOG, REJECTED, REFUSED, BUTTON, FAULT = (
    1 << n for n in range(9)
)


def ready(make: Make, **options: int) -> World:
    world = make(**options)
    world.run(0.1)
    return world


def armed(make: Make, **options: int) -> World:
    world = ready(make, **options)
    world.arm()
    return world


def only_cut(world: World) -> list[str]:
    """Cause and place of the one cut there was."""
    (cut,) = world.of_kind("X")
    return cut[2:]


def off_after(world: World, since_s: float) -> float:
    """How long after this the drive went off."""
    return next(when for when, level in world.drives() if not level and when >= since_s) - since_s


# ---- Speed.


def speeds_beyond_a_limit_cut(make: Make, speeds: Iterable[int], holds: Iterable[int]) -> float:
    """Both ways to pass it: the limit falls below the speed, the speed rises above the limit."""
    latest = 0.0
    for hz in speeds:
        for hold_ms in holds:
            world = ready(make, seed=hz + hold_ms + 1)
            world.slow_loop(0.001)
            world.edges(hz)
            world.arm()
            world.beat(0.35)
            set_s = world.now_s
            assert world.tell(Limit("e", None, int(hz * 0.97), hold_ms)) == "ok"
            world.beat(0.27 + hold_ms / 1000)
            assert only_cut(world) == ["limit", "e"], (hz, hold_ms)
            took = off_after(world, set_s) - hold_ms / 1000
            assert 0 <= took <= 3 * LINE_S, (hz, hold_ms, took)

            world = ready(make, seed=hz + hold_ms + 2)
            world.slow_loop(0.001)
            world.edges(hz / 2)
            assert world.tell(Limit("e", None, int(hz * 0.97), hold_ms)) == "ok"
            world.arm()
            world.beat(0.4)
            world.edges(hz)
            rose_s = world.now_s
            world.beat(0.27 + hold_ms / 1000)
            assert only_cut(world) == ["limit", "e"], (hz, hold_ms)
            took = off_after(world, rose_s) - hold_ms / 1000
            assert 0 <= took <= 2 * RATE_S + 3 * LINE_S, (hz, hold_ms, took)
            latest = max(latest, took)
    return latest


def a_few_speeds_beyond_a_limit_cut(make: Make) -> None:
    speeds_beyond_a_limit_cut(make, (200, 1900, 5000), (0, 300))


def speeds_within_a_limit_do_not_cut(make: Make) -> None:
    for hz in (200, 1900, 5000):
        world = armed(make, seed=hz)
        world.slow_loop(0.001)
        world.edges(hz)
        world.beat(0.3)
        assert world.tell(Limit("e", int(hz * 0.98), int(hz * 1.02), 0)) == "ok"
        world.beat(1.0)
        assert not world.of_kind("X"), hz


def a_rotor_that_stands_is_below_its_limit(make: Make) -> None:
    world = armed(make)
    world.edges(1000)
    world.beat(0.3)
    assert world.tell(Limit("e", 50, None, 0)) == "ok"
    world.beat(0.3)
    assert not world.of_kind("X")
    world.edges(0)
    stopped_s = world.now_s
    world.beat(0.25)
    assert only_cut(world) == ["limit", "e"]
    assert RATE_S - LINE_S <= off_after(world, stopped_s) <= RATE_S + 3 * LINE_S


def a_slow_rotor_keeps_its_speed(make: Make) -> None:
    """At 5 edges per second: a measurement is as long as it takes to see an edge."""
    world = armed(make)
    world.edges(5)
    world.beat(0.6)
    assert world.tell(Limit("e", 4, 6, 0)) == "ok"
    world.beat(2.0)
    assert not world.of_kind("X")


def a_speed_from_before_the_arm_counts_for_nothing(make: Make) -> None:
    world = armed(make)
    world.edges(1000)
    world.beat(0.3)
    assert world.tell(Stop()) == "ok"
    world.edges(0)
    world.run(0.02)
    assert world.tell(Limit("e", None, 500, 0)) == "ok"
    world.arm()
    world.beat(0.3)
    assert len(world.of_kind("X")) == 1


def edges_are_counted_and_timed(make: Make) -> None:
    world = ready(make)
    world.edges(700)
    world.run(1.0)
    first, last = world.of_kind("D")[-50], world.of_kind("D")[-1]
    count, took = int(last[3]) - int(first[3]), (int(last[4]) - int(first[4])) / 2e6
    assert abs(count / took - 700) < 0.5
    assert world.status == CUT


def edges_that_come_too_soon_are_told_and_cut(make: Make) -> None:
    for hz, hold in ((9500, False), (10500, True), (18000, True)):
        world = armed(make)
        world.edges(hz)
        faster_s = world.now_s
        world.beat(0.15)
        assert bool(world.of_kind("X")) == hold, hz
        if hold:
            assert only_cut(world) == ["fault", "e"]
            assert off_after(world, faster_s) < 3 * LINE_S
            assert any(int(data[5]) == CUT | FAULT | REFUSED for data in world.of_kind("D"))
            world.edges(0)
            world.fresh_status()
            assert world.fresh_status() == CUT | FAULT
        else:
            assert world.status == ARMED


def a_few_refused_edges_are_told_and_do_not_cut(make: Make) -> None:
    world = armed(make)
    world.edges(12000)
    world.run(0.0007)
    world.edges(1000)
    world.beat(0.3)
    assert not world.of_kind("X")
    told = [int(data[5]) & REFUSED for data in world.of_kind("D")]
    assert told.count(REFUSED) in (1, 2)


# ---- Framing.


def lines_that_cannot_be_framed_are_not_answered(make: Make) -> None:
    world = ready(make)
    good = frame("beat,8")
    assert good == b"beat,8*3FBD\n"
    for bad in (
        b"beat,8*3FBE\n", b"beat,8*2FBD\n", b"beat,8\n", b"beat,8*3FB\n", b"beat,8*03FBD\n",
        b"beat,8*3FBD \n", b"beat,8*3FBG\n", b"beat,8*3FB/\n", b"beat,8*3FB:\n",
        b" beat,8*3FBD\n", b"beat,8*3FBD\r\r\n", b"beat,8*\n",
        b"beat,8*3FB\xbd\n", b"beat\x00,8*3FBD\n",
        frame("beat"), frame("beat,"), frame("beat,-1"), frame("beat,65536"), frame("beat,+8"),
        frame("beat, 8"), frame("beat,8x"), frame("beat,4294967304"), frame("beat,99999999999"),
        raw(b"be\tat,8"), raw(b"be\x7fat,8"), raw(b"b\xe9at,8"), b"x" * 121 + b"\n",
        b"stopp\n", b"sto p\n", b"xstop\n", b"stop x\n", b"st\top\n", b"stop,1\n",
    ):  # fmt: skip
        answers = len(world.of_kind("A"))
        assert not world.fresh_status() & REJECTED, bad
        world.send(bad)
        world.run(0.035)
        assert any(int(data[5]) & REJECTED for data in world.of_kind("D")[-3:]), bad
        assert len(world.of_kind("A")) == answers, bad
    assert not world.of_kind("X")


def raw(body: bytes) -> bytes:
    """With a checksum that is right, whatever the characters are."""
    return body + f"*{crc_of(body):04X}\n".encode()


def crc_of(body: bytes) -> int:
    crc = 0xFFFF
    for byte in body:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def a_checksum_has_hexadecimal_digits(make: Make) -> None:
    """A digit beyond the last, taken for 16, would make this one right."""
    line = next(raw(b"beat,%d" % n) for n in range(9999) if crc_of(b"beat,%d" % n) & 0x1F == 0x10)
    world = ready(make)
    world.send(line[:-2] + b"G\n")
    world.run(0.03)
    assert not world.of_kind("A")


def lines_that_can_be_framed_are_answered(make: Make) -> None:
    world = ready(make)
    long = "beat,08".ljust(115, "x")
    for good, answer in (
        (b"beat,8*3FBD\n", "ok"), (b"beat,8*3fbd\r\n", "ok"), (frame("beat,0008"), "ok"),
        (b"\n \t\r\nbeat,8*3FBD\n", "ok"), (frame("beat,8,"), "fields"),
        (raw(b"beat*,8"), "unknown"), (frame("dance,8"), "unknown"), (frame(",8"), "unknown"),
        (frame("Beat,8"), "unknown"), (frame("beat,8" + ",1" * 50), "fields"),
        (frame(f"beat,8,{long}"[:115]), "fields"),
    ):  # fmt: skip
        world.said.clear()
        world.send(good)
        world.run(0.03)
        answers = [fields[2:] for fields in world.of_kind("A")]
        assert answers == [["ok"] if answer == "ok" else ["no", answer]], good
        assert not any(int(data[5]) & REJECTED for data in world.of_kind("D")), good
    assert world.broken == 0


def the_longest_line_is_heard(make: Make) -> None:
    for length, heard in ((120, True), (121, False)):
        world = ready(make)
        line = frame("beat,8,".ljust(length - 5, "x"))
        assert len(line) == length + 1
        world.send(line[:-1] + b"\r\n")
        world.run(0.05)
        assert bool(world.of_kind("A")) == heard, length
        # What comes after one that was too long is understood again.
        world.send(frame("beat,9"))
        assert world.answer(9) == "ok"


# ---- Commands.


def commands_are_answered_as_documented(make: Make) -> None:
    world = ready(make)
    before, after = (
        ("arm,1,4712", "boot"), ("arm,1", "fields"), ("arm,1, 4711", "fields"),
        ("arm,1,+4711", "fields"), ("arm,1,4711,", "fields"), ("arm,1,70247", "fields"),
        ("arm,1,-1", "fields"), ("arm,1,4711x", "fields"), ("arm,1,x4711", "fields"),
        ("throttle,1,0", "state"), ("throttle,1,1001", "fields"), ("throttle,1", "fields"),
        ("limit,1,6,-,1,0", "range"), ("limit,1,15,-,1,0", "range"), ("limit,1,16,-,1,0", "fields"),
        ("limit,1,5,-,1,65536", "fields"), ("limit,1,5,-,1,-1", "fields"),
        ("limit,1,5,-,1", "fields"), ("limit,1,5,-,1,0,0", "fields"), ("limit,1,x,-,1,0", "fields"),
        ("limit,1,5,--,1,0", "fields"), ("limit,1,5,,1,0", "fields"),
        ("limit,1,e,-,2147483648,0", "fields"), ("limit,1,e,-2147483649,-,0", "fields"),
        ("limit,1,e,-2147483648,2147483647,65535", "ok"), ("limit,1,e,-,-,0", "ok"),
        ("limit,1,e,4294967296,-,0", "fields"), ("limit,1,e,-,42949672970,0", "fields"),
        ("zero,1,0", "ok"), ("zero,1,1", "cannot"), ("zero,1,6", "range"), ("zero,1,15", "range"),
        ("zero,1,16", "fields"), ("zero,1", "fields"), ("zero,1,-", "fields"),
        ("hello,1", "ok"), ("hello,1,1", "fields"), ("beat,1", "ok"), ("beat,1,1", "fields"),
        ("stop,1", "ok"), ("stop,1,1", "fields"), ("limits,1", "unknown"),
    ), (
        ("arm,1,4712", "boot"), ("arm,1,4711", "ok"), ("throttle,1,1000", "ok"),
        ("throttle,1,-1", "fields"), ("throttle,1,1001", "fields"), ("throttle,1,1,1", "fields"),
        ("zero,1,0", "state"), ("beat,1", "ok"),
    )  # fmt: skip
    for body, reason in before:
        world.send(frame(body))
        assert world.answer(1) == reason, body
        assert not world.driven, body
    world.arm()
    for body, reason in after:
        world.send(frame(body))
        assert world.answer(1) == reason, body
        assert world.driven, body


def a_hello_introduces_everything(make: Make) -> None:
    world = make(eeprom=65535)
    world.run(0.1)
    said = [fields for fields in world.said if fields[0] in "HC"]
    assert said[0] == ["H", "1", "marram bench", "1.0", "0", "2000000", "100", "LSTZ", "6"]
    channels = [fields[1:] for fields in said[1:]]
    assert [fields[0] for fields in channels] == list("012345")
    assert channels[0][1:] == ["current", "shunt", "1024", "16", "LZ", "0"]
    assert channels[5][1:] == ["reference", "supply", "1024", "4", "L", "0"]
    world.said.clear()
    assert world.tell(AskHello()) == "ok"
    assert [fields for fields in world.said if fields[0] in "HC"] == said
    assert world.said[-1][0] == "A" or world.of_kind("A")


def an_arm_lets_the_drive_run_with_the_throttle_at_0(make: Make) -> None:
    world = ready(make)
    assert world.fresh_status() == CUT
    world.arm()
    assert world.driven
    assert world.fresh_status() == ARMED
    for permille, pulse_us in ((0, 1000), (1, 1001), (250, 1250), (999, 1999), (1000, 2000)):
        assert world.tell(Throttle(permille)) == "ok"
        assert world.pulse_us == pulse_us
    world.arm()  # once more changes nothing
    assert world.pulse_us == 2000
    assert world.tell(Stop()) == "ok"
    assert world.pulse_us == 1000 and not world.driven
    assert only_cut(world) == ["stop", "-"]
    assert world.fresh_status() == CUT
    assert world.tell(Stop()) == "ok"
    assert len(world.of_kind("X")) == 1
    world.arm()
    assert world.pulse_us == 1000


def the_zero_is_taken_off_before_a_limit_is_judged(make: Make) -> None:
    world = make()
    world.input(0, 100.5)
    world.run(0.1)
    for _ in range(2):
        world.said.clear()
        assert world.tell(Zero(0)) == "ok"
        (channel,) = world.of_kind("C")
        zero = int(channel[7])
        assert 1600 <= zero <= 1616
        assert len(world.of_kind("A")) == 1
    world.run(0.03)
    assert abs(int(world.of_kind("D")[-1][6])) <= 8
    assert world.tell(Limit(0, -200, 200, 0)) == "ok"
    world.arm()
    world.beat(0.2)
    assert not world.of_kind("X")
    world.input(0, 113.5)
    world.beat(0.1)
    assert only_cut(world) == ["limit", "0"]


# ---- Limits.


def limits_are_judged_to_the_count(make: Make) -> None:
    """Inputs that give 16 equal conversions: 3200 of channel 0, 400 x 4 = 1600 of channel 2."""
    for where, reading in ((0, 3200), (2, 1600)):
        for low, high, cuts in (
            (None, reading, False), (reading, None, False), (reading, reading, False),
            (None, reading - 1, True), (reading + 1, None, True), (None, None, False),
        ):  # fmt: skip
            world = ready(make)
            assert world.tell(Limit(where, low, high, 0)) == "ok"
            world.run(0.2)
            assert not world.of_kind("X")  # only while armed
            world.arm()
            world.beat(0.1)
            assert bool(world.of_kind("X")) == cuts, (where, low, high)
            if cuts:
                assert only_cut(world) == ["limit", str(where)]
                assert off_after(world, world.drives()[-2][0]) < 1.2 * LINE_S
                assert world.fresh_status() == CUT | LIMIT
                # It outlives the cut; when it is taken away, the drive runs and the bit is gone.
                assert world.tell(Limit(where, None, None, 0)) == "ok"
                world.arm()
                world.beat(0.1)
                assert world.fresh_status() == ARMED


def a_hold_is_waited_for_without_a_break(make: Make) -> None:
    world = ready(make)
    assert world.tell(Limit(1, None, 5000, 200)) == "ok"
    world.arm()
    world.beat(0.1)
    for _ in range(3):
        world.input(1, 320)
        world.beat(0.17)
        world.input(1, 300)
        world.beat(0.05)
    assert not world.of_kind("X")
    world.input(1, 320)
    beyond_s = world.now_s
    world.beat(0.4)
    assert only_cut(world) == ["limit", "1"]
    assert 0.2 <= off_after(world, beyond_s) <= 0.2 + 3 * LINE_S
    # A new arm begins the hold anew.
    armed_s = world.now_s
    world.arm()
    world.beat(0.4)
    assert 0.2 <= off_after(world, armed_s + 0.001) <= 0.2 + 3 * LINE_S + 0.02


def a_limit_is_replaced(make: Make) -> None:
    world = ready(make)
    for high in (5000, 4700, 5000):
        assert world.tell(Limit(1, None, high, 0)) == "ok"
    world.arm()
    world.beat(0.2)
    assert not world.of_kind("X")


# ---- Silence and stops.


def a_silent_host_loses_the_drive(make: Make) -> None:
    for feed in (b"", b"beat,9*0000\n", b"\n", b"A" * 130 + b"\n", frame("beat")):
        world = armed(make)
        heard_s = world.now_s
        while world.driven:
            world.send(feed)
            world.run(0.05)
            assert world.now_s < heard_s + 1, feed
        assert 0.485 <= off_after(world, heard_s) <= 0.510, feed
        assert only_cut(world) == ["heartbeat", "-"]
        assert world.fresh_status() & ~REJECTED == CUT | HEARTBEAT
        world.arm()
        assert world.fresh_status() & ~REJECTED == ARMED


def any_good_line_keeps_the_drive(make: Make) -> None:
    for body in ("beat,7", "dance,7", "throttle,7,2000", "zero,7,0"):
        world = armed(make)
        for _ in range(6):
            world.send(frame(body))
            world.run(0.4)
        assert world.driven, body


def the_bare_word_stops(make: Make) -> None:
    for word in (b"stop\n", b"\nSTOP\n", b"\n \t SToP \t\r\n", b"\nstop\r\n", b"bea\nstop\n"):
        world = armed(make)
        assert world.tell(Throttle(300)) == "ok"
        world.send(word)
        world.run(0.05)
        assert off_after(world, 0.1) and world.pulse_us == 1000, word
        stopped_s = world.now_s - 0.05
        assert off_after(world, stopped_s) <= 0.010 + len(word) * 10 / 115200
        assert only_cut(world) == ["stop", "-"], word
        assert all(int(data[5]) in (ARMED, CUT, CUT | REJECTED) for data in world.of_kind("D")[-5:])


def a_stop_waits_for_no_loop(make: Make) -> None:
    world = armed(make)
    world.slow_loop(0.2)
    world.run(0.2)
    sent_s = world.now_s
    world.send(b"\nstop\n")
    world.run(0.3)
    assert off_after(world, sent_s) < 0.001


def words_that_only_look_like_it_do_not_stop(make: Make) -> None:
    for word in (b"sto p", b"st\top", b"stopp", b"xstop", b"stop x", b"stop,1", b"sto", b" s top"):
        world = armed(make)
        world.send(b"\n" + word + b"\n")
        world.run(0.05)
        assert world.driven, word


def nothing_sent_before_a_stop_undoes_it(make: Make) -> None:
    world = ready(make)
    world.slow_loop(0.01)
    arm = frame("arm,70,4711")
    world.send(arm + b"\nstop\n" + frame("throttle,71,500"))
    world.run(0.3)
    assert not world.driven
    assert world.status == CUT
    assert ["A", "71", "no", "state"] in world.said
    # An arm that waits behind others when the stop comes is refused, too.
    world = ready(make)
    world.slow_loop(0.02)
    world.send(frame("beat,1") * 3 + arm + b"stop\n")
    world.run(0.3)
    assert ["A", "70", "no", "state"] in world.said
    assert not world.drives()
    # And afterwards an arm is an arm.
    world.slow_loop(0)
    world.arm()
    assert world.driven


# ---- The stop input.


def the_stop_input_cuts(make: Make) -> None:
    world = armed(make)
    assert world.tell(Throttle(300)) == "ok"
    world.contact(opened=True)
    opened_s = world.now_s
    world.beat(0.1)
    assert off_after(world, opened_s) <= 0.010
    assert only_cut(world) == ["button", "-"]
    assert world.pulse_us == 1000
    assert world.fresh_status() == CUT | BUTTON
    assert world.tell(Arm(4711)) == "state"
    world.contact(opened=False)
    world.beat(0.5)
    assert not world.driven
    world.arm()
    assert world.driven
    assert world.fresh_status() == ARMED
    assert len(world.of_kind("X")) == 1


def a_stop_input_that_bounces_cuts_once(make: Make) -> None:
    for opens in (True, False):
        world = armed(make)
        world.contact(opened=not opens)
        if not opens:
            world.beat(0.05)
            assert only_cut(world) == ["button", "-"]
        moved_s = world.now_s
        for n in range(12):
            world.contact(opened=bool(n % 2) != opens)
            world.run(0.0007 + 0.00005 * n)
        world.contact(opened=opens)
        settled_s = world.now_s
        world.beat(0.1)
        assert only_cut(world) == ["button", "-"]
        if opens:
            assert off_after(world, moved_s) <= settled_s - moved_s + 0.006
        else:
            world.arm()
            assert world.driven


def noise_on_the_stop_input_does_not_cut(make: Make) -> None:
    world = armed(make)
    for _ in range(50):
        world.contact(opened=True)
        world.run(0.0015)
        world.contact(opened=False)
        world.beat(0.004)
    assert not world.of_kind("X")


def an_open_stop_input_keeps_the_drive_off_from_the_start(make: Make) -> None:
    world = make()
    world.contact(opened=True)
    world.run(0.2)
    assert world.tell(Arm(4711)) == "state"
    assert world.tell(Beat()) == "ok"
    assert not world.drives() and not world.of_kind("X")


# ---- Sending, sampling, hanging.


def no_line_is_lost_or_counted_twice(make: Make) -> None:
    world = ready(make)
    world.slow_loop(0.002)
    for _ in range(30):
        assert world.tell(AskHello()) == "ok"
        world.run(0.15)
    sequences = [int(data[1]) for data in world.of_kind("D")]
    assert sequences == list(range(len(sequences)))
    assert world.broken == 0


def lines_that_are_dropped_leave_a_gap(make: Make) -> None:
    world = make()
    world.slow_loop(0.040)
    world.run(4.0)
    data = world.of_kind("D")
    lines = int(data[-1][1]) - int(data[0][1])
    assert lines > 1.2 * len(data)
    ticks = (int(data[-1][2]) - int(data[0][2])) / 20000
    assert abs(lines - ticks) <= 2
    assert {fields[6] for fields in data} == {"3200"}
    assert {fields[11] for fields in data} == {"3600"}


def conversions_go_to_their_channels(make: Make) -> None:
    world = make()
    for which in range(5):
        world.input(which, 11.0 * (which + 1))
    world.input(7, 225)
    world.run(0.5)
    for fields in world.of_kind("D")[2:]:
        assert fields[6:] == ["176", "352", "132", "176", "220", "900"]


def a_lost_answer_waits_for_room(make: Make) -> None:
    """Answers are never dropped, data lines may be."""
    world = ready(make)
    for number in range(40):
        world.send(frame(f"hello,{number}"))
        world.run(0.004)
    world.run(3.0)
    assert world.broken == 0
    answered = [int(fields[1]) for fields in world.of_kind("A")]
    assert answered == sorted(answered) and len(answered) >= 10
    assert len(world.of_kind("C")) == 6 * (len(answered) + 1)


def a_hang_is_a_cut_and_leaves_its_mark(make: Make) -> None:
    world = armed(make)
    assert world.hang()
    assert not world.driven
    world = ready(make, hung=1)
    assert only_cut(world) == ["watchdog", "-"]
    assert world.status == CUT | WATCHDOG
    assert [fields[0] for fields in world.said[:8]] == [*"HCCCCCC", "X"]
    assert not world.hang_mark
    world.arm()
    assert world.fresh_status() == ARMED


CHECKS: list[Callable[[Make], None]] = [
    a_few_speeds_beyond_a_limit_cut, speeds_within_a_limit_do_not_cut,
    a_rotor_that_stands_is_below_its_limit, a_slow_rotor_keeps_its_speed,
    a_speed_from_before_the_arm_counts_for_nothing, edges_are_counted_and_timed,
    edges_that_come_too_soon_are_told_and_cut, a_few_refused_edges_are_told_and_do_not_cut,
    lines_that_cannot_be_framed_are_not_answered, lines_that_can_be_framed_are_answered,
    the_longest_line_is_heard, commands_are_answered_as_documented, a_hello_introduces_everything,
    an_arm_lets_the_drive_run_with_the_throttle_at_0,
    the_zero_is_taken_off_before_a_limit_is_judged, limits_are_judged_to_the_count,
    a_hold_is_waited_for_without_a_break, a_limit_is_replaced, a_silent_host_loses_the_drive,
    any_good_line_keeps_the_drive, the_bare_word_stops, a_stop_waits_for_no_loop,
    words_that_only_look_like_it_do_not_stop, nothing_sent_before_a_stop_undoes_it,
    a_checksum_has_hexadecimal_digits,
    the_stop_input_cuts, a_stop_input_that_bounces_cuts_once,
    noise_on_the_stop_input_does_not_cut, an_open_stop_input_keeps_the_drive_off_from_the_start,
    no_line_is_lost_or_counted_twice, lines_that_are_dropped_leave_a_gap,
    conversions_go_to_their_channels, a_lost_answer_waits_for_room,
    a_hang_is_a_cut_and_leaves_its_mark,
]  # fmt: skip


if __name__ == "__main__":
    maker = partial(World, Path(sys.argv[1]))
    for check in CHECKS:
        check(maker)
