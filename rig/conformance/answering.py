"""Rules on answers: what a board does, what it refuses and why, what it does not answer."""

from __future__ import annotations

from rig.conformance.host import Host
from rig.conformance.steps import (
    SLACK_S,
    DoesNotApply,
    ignored,
    limited,
    must_arm,
    needs,
    refused,
    said,
)
from rig.protocol import commands
from rig.protocol.framing import CHECKSUM_LENGTH, LONGEST_LINE, frame
from rig.protocol.records import MOST_CHANNELS, Channel, Hello, Status


def answers_in_time(host: Host) -> str | None:
    needs(host, "S")
    answer, took_s = host.tell(commands.Beat())
    if answer is None or not answer.accepted:
        return "a beat was not answered ok"
    limit_s = commands.ANSWER_WITHIN_S + SLACK_S
    return f"an answer took {1000.0 * took_s:.0f} ms" if took_s > limit_s else None


def introduces_before_it_answers(host: Host) -> str | None:
    needs(host, "S")
    mark = len(host.heard)
    answer, _ = host.tell(commands.AskHello())
    kinds = [record for _, record in host.heard[mark:] if isinstance(record, Hello | Channel)]
    if answer is None:
        return "hello was not answered"
    wanted = 1 + host.hello.channels
    return None if len(kinds) >= wanted else f"{len(kinds)} of {wanted} lines before the answer"


def refuses_what_it_does_not_know(host: Host) -> str | None:
    needs(host, "S")
    for word, fields, reason in (
        ("wobble", (), "unknown"),
        ("arm", (1, 2), "fields"),
        ("arm", (70_000,), "fields"),
        ("beat", (1,), "fields"),
    ):
        answer = host.tell_body(word, *fields)
        if answer is None or answer.accepted or answer.reason != reason:
            return f"{word!r} with {fields} is answered {said(answer)}, not no,{reason}"
    return None


def refuses_a_malformed_arm(host: Host) -> str | None:
    needs(host, "S")
    boot = host.hello.boot
    for field in (
        f" {boot}", f"+{boot}", f"{boot} ", f"{boot}x", f"{boot}.0", f"0x{boot:x}", "", "-",
        boot + 65_536, boot + 2**32, f"-{boot or 1}", f"{boot},{boot}",
    ):  # fmt: skip
        answer = host.tell_body("arm", field)
        if answer is None or answer.accepted or answer.reason != "fields":
            return f"'arm' with {str(field)!r} is answered {said(answer)}, not no,fields"
    return "it armed all the same" if host.status & Status.ARMED else None


def passes_over_damaged_lines(host: Host) -> str | None:
    needs(host, "S")
    line, number = damaged_beat(host)
    trouble = ignored(host, line, number)
    return f"a line with a wrong checksum {trouble}" if trouble else None


def passes_over_lines_without_a_number(host: Host) -> str | None:
    needs(host, "S")
    for body in ("beat", "beat,", "beat,x"):
        trouble = ignored(host, frame(body), 0)
        if trouble:
            return f"{body!r}, which has no number, {trouble}"
    return None


def takes_a_long_line_and_none_longer(host: Host) -> str | None:
    """A number's leading zeros are read, so that a beat can have any length."""
    needs(host, "S")
    for length, end in ((LONGEST_LINE, b"\n"), (LONGEST_LINE, b"\r\n")):
        line, number = _long_beat(host, length)
        answer = host.tell_line(line + end, number)
        if answer is None or not answer.accepted:
            ended = " and a carriage return" if len(end) > 1 else ""
            return f"a line of {length} characters{ended} is answered {said(answer)}"
    for length in (LONGEST_LINE + 1, LONGEST_LINE + 8, 300):
        line, number = _long_beat(host, length)
        trouble = ignored(host, line + b"\n", number)
        if trouble:
            return f"a line of {length} characters {trouble}"
    return None


def refuses_throttle_while_cut(host: Host) -> str | None:
    needs(host, "T")
    return refused(host, commands.Throttle(100), "state")


def refuses_another_boots_arm(host: Host) -> str | None:
    needs(host, "S")
    return refused(host, commands.Arm((host.hello.boot + 1) % 65536), "boot")


def refuses_a_limit_without_a_channel(host: Host) -> str | None:
    limited(host)
    absent = len(host.channels)
    if absent >= MOST_CHANNELS:
        raise DoesNotApply("it has every channel there can be")
    return refused(host, commands.Limit(absent, None, 5, 0), "range")


def refuses_what_a_channel_lacks(host: Host) -> str | None:
    needs(host, "S")
    asked = False
    for channel in host.channels:
        for letter, command in (
            ("L", commands.Limit(channel.index, None, None, 0)),
            ("Z", commands.Zero(channel.index)),
        ):
            if letter in host.hello.abilities and letter not in channel.abilities:
                asked = True
                trouble = refused(host, command, "cannot")
                if trouble:
                    return f"{channel.label} has no {letter}: {trouble}"
    if not asked:
        raise DoesNotApply("every channel can do what the board can")
    return None


def zeroes_a_channel(host: Host) -> str | None:
    channel = _zeroed(host)
    mark = len(host.heard)
    answer, _ = host.tell(commands.Zero(channel.index))
    if answer is None or not answer.accepted:
        return f"zero is answered {said(answer)}"
    if not any(line.index == channel.index for line in host.since(mark, Channel)):
        return "the channel's line did not come again"
    return None


def refuses_zero_while_armed(host: Host) -> str | None:
    channel = _zeroed(host)
    must_arm(host)
    return refused(host, commands.Zero(channel.index), "state")


def damaged_beat(host: Host) -> tuple[bytes, int]:
    """A beat whose checksum is wrong by its last digit, and its number."""
    number = host.number()
    line = bytearray(commands.line(commands.Beat(), number))
    line[-2] = ord("0") if line[-2] != ord("0") else ord("1")
    return bytes(line), number


def _zeroed(host: Host) -> Channel:
    needs(host, "Z")
    for channel in host.channels:
        if "Z" in channel.abilities:
            return channel
    raise DoesNotApply("the hello says Z, and no channel does")


def _long_beat(host: Host, length: int) -> tuple[bytes, int]:
    number = host.number()
    digits = length - len("beat,") - CHECKSUM_LENGTH
    return frame(f"beat,{number:0{digits}}").rstrip(b"\n"), number
