"""The rules, each a function that plays its part of the dialogue and says what it saw.

A rule returns nothing when it is kept, words when it is broken; one that does not apply to a
board raises DoesNotApply. They run in this order, and each leaves the board disarmed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from rig.conformance.host import Host
from rig.protocol import commands
from rig.protocol.records import Answer, Channel, Cut, Data, Hello, Status
from rig.protocol.timeline import unwrapped

SLACK_S = 0.03
"""What the host's own system and the wire may add to a time."""

CLOCK_WITHIN = 0.02
STOP_WITHIN_S = 0.01
LIMIT_WITHIN_LINES = 3
REPEATS_EVERY_S = 2.0

Rule = Callable[[Host], str | None]


class DoesNotApply(Exception):  # noqa: N818
    """The board lacks the ability, or another rule that this one builds on is broken."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What became of one rule. `verdict` is kept, broken, or does not apply."""

    rule: str
    section: str
    verdict: str
    detail: str


def verify(host: Host) -> Iterator[Finding]:
    """Play through all rules; a finding after each. Nothing may hang from the drive."""
    for rule, section, name in RULES:
        try:
            detail = rule(host)
            verdict = "broken" if detail else "kept"
        except DoesNotApply as reason:
            detail, verdict = str(reason), "does not apply"
        yield Finding(name, section, verdict, detail or "")
        if rule is introduces and verdict == "broken":
            return
        _disarm(host)


def introduces(host: Host) -> str | None:
    for _ in range(3):
        host.wire.write(commands.line(commands.AskHello(), host.number()))
        if host.listen(REPEATS_EVERY_S + 0.5, lambda: _introduced(host)):
            return None
    if host.newest(Hello) is None:
        return "no hello came, asked three times"
    return f"hello tells of {host.hello.channels} channels, {len(host.channels)} lines came"


def keeps_to_the_framing(host: Host) -> str | None:
    host.listen(1.0)
    rejected = host.decoder.counts.rejected
    if rejected:
        return "lines that cannot be used: " + ", ".join(
            f"{count} {fault.value}" for fault, count in rejected.items()
        )
    return None


def counts_its_lines(host: Host) -> str | None:
    lines = _data(host, 2.0)
    if len(lines) < 2:
        return "no data lines came"
    for before, after in pairwise(lines):
        if after.sequence != (before.sequence + 1) % 65536:
            return f"{before.sequence} is followed by {after.sequence}"
    return None


def keeps_its_rate_and_clock(host: Host) -> str | None:
    mark = len(host.heard)
    host.listen(2.0)
    rows = [(t, r) for t, r in host.heard[mark:] if isinstance(r, Data)]
    if len(rows) < 3:
        return "no data lines came"
    (first_s, first), (last_s, last) = rows[0], rows[-1]
    ticks = unwrapped(last.tick, first.tick, 32) - first.tick
    lines = (last.sequence - first.sequence) % 65536
    hello = host.hello
    per_line = ticks * hello.line_hz / hello.tick_hz / lines
    if abs(per_line - 1.0) > CLOCK_WITHIN:
        return f"{lines / ticks * hello.tick_hz:.1f} lines a second, {hello.line_hz} are stated"
    by_clock = ticks / hello.tick_hz / (last_s - first_s)
    if abs(by_clock - 1.0) > CLOCK_WITHIN + SLACK_S / 2.0:
        return f"its clock runs at {100.0 * by_clock:.0f} % of the host's"
    return None


def keeps_counts_within_their_scale(host: Host) -> str | None:
    channels = host.channels
    for data in _data(host, 0.5):
        if len(data.counts) != len(channels):
            return f"{len(data.counts)} counts in a line for {len(channels)} channels"
        for channel, count in zip(channels, data.counts, strict=True):
            top = channel.full_scale * channel.conversions
            lowest = -top if "B" in channel.abilities else 0
            if not lowest <= count + channel.zero <= top:
                return f"{channel.label} says {count}, beyond its scale"
    return None


def tells_edges_and_their_tick_together(host: Host) -> str | None:
    lines = _data(host, 0.5)
    for before, after in pairwise(lines):
        more = (after.edges - before.edges) % 65536
        later = (after.edge_tick - before.edge_tick) % 2**32
        if (more == 0) != (later == 0):
            return f"{more} more edges, and their tick moved by {later}"
        beyond = (after.edge_tick - after.tick) % 2**32
        if later and host.hello.tick_hz / host.hello.line_hz < beyond < 2**31:
            return "the last edge lies more than a line after its own"
    return None


def repeats_its_introduction(host: Host) -> str | None:
    if host.hello.can_stop:
        raise DoesNotApply("the board can hear")
    mark = len(host.heard)
    host.listen(2.0 * REPEATS_EVERY_S + 0.5)
    if len(host.since(mark, Hello)) < 2:
        return "a board that cannot hear must repeat its hello every 2 s"
    return None


def starts_with_its_drive_off(host: Host) -> str | None:
    _needs(host, "S")
    status = host.status
    if status & Status.ARMED or not status & Status.CUT:
        return f"not armed, and its status is {int(status)}"
    return None


def answers_in_time(host: Host) -> str | None:
    _needs(host, "S")
    answer, took_s = host.tell(commands.Beat())
    if answer is None or not answer.accepted:
        return "a beat was not answered ok"
    limit_s = commands.ANSWER_WITHIN_S + SLACK_S
    return f"an answer took {1000.0 * took_s:.0f} ms" if took_s > limit_s else None


def introduces_before_it_answers(host: Host) -> str | None:
    _needs(host, "S")
    mark = len(host.heard)
    answer, _ = host.tell(commands.AskHello())
    kinds = [record for _, record in host.heard[mark:] if isinstance(record, Hello | Channel)]
    if answer is None:
        return "hello was not answered"
    wanted = 1 + host.hello.channels
    return None if len(kinds) >= wanted else f"{len(kinds)} of {wanted} lines before the answer"


def refuses_what_it_does_not_know(host: Host) -> str | None:
    _needs(host, "S")
    for word, fields, reason in (
        ("wobble", (), "unknown"),
        ("arm", (1, 2), "fields"),
        ("arm", (70_000,), "fields"),
        ("beat", (1,), "fields"),
    ):
        answer = host.tell_body(word, *fields)
        if answer is None or answer.accepted or answer.reason != reason:
            return f"{word!r} with {fields} is answered {_said(answer)}, not no,{reason}"
    return None


def passes_over_damaged_lines(host: Host) -> str | None:
    _needs(host, "S")
    number = host.number()
    line = bytearray(commands.line(commands.Beat(), number))
    line[-2] = ord("0") if line[-2] != ord("0") else ord("1")
    mark = len(host.heard)
    host.wire.write(bytes(line))
    host.listen(0.3)
    if any(answer.number == number for answer in host.since(mark, Answer)):
        return "a line with a wrong checksum was answered"
    if not any(data.status & Status.REJECTED for data in host.since(mark, Data)):
        return "a line with a wrong checksum did not set `rejected` in the next data line"
    return None


def refuses_throttle_while_cut(host: Host) -> str | None:
    _needs(host, "T")
    return _refused(host, commands.Throttle(100), "state")


def refuses_another_boots_arm(host: Host) -> str | None:
    _needs(host, "S")
    return _refused(host, commands.Arm((host.hello.boot + 1) % 65536), "boot")


def arms(host: Host) -> str | None:
    _needs(host, "S")
    trouble = _arm(host)
    if trouble:
        return trouble
    host.listen(1.0)
    if not host.status & Status.ARMED:
        return "it did not stay armed for a second of beats"
    answer, _ = host.tell(commands.Arm(host.hello.boot))
    return None if answer and answer.accepted else "arm when armed already is not answered ok"


def obeys_a_numbered_stop(host: Host) -> str | None:
    return _stops(host, lambda: commands.line(commands.Stop(), host.number()), answered=True)


def obeys_the_bare_word(host: Host) -> str | None:
    for word in (commands.STOP_WORD, b"\n \tSToP \r\n"):
        trouble = _stops(host, lambda word=word: word, answered=False)  # type: ignore[misc]
        if trouble:
            return f"{word!r}: {trouble}"
    return None


def obeys_stop_after_rubbish(host: Host) -> str | None:
    return _stops(host, lambda: b"x" * 1000 + commands.STOP_WORD, answered=False)


def answers_stop_when_cut(host: Host) -> str | None:
    _needs(host, "S")
    answer, _ = host.tell(commands.Stop())
    return None if answer and answer.accepted else f"stop while cut is answered {_said(answer)}"


def cuts_when_the_host_is_silent(host: Host) -> str | None:
    _needs(host, "S")
    _must_arm(host)
    mark = len(host.heard)
    host.beating = False
    host.wire.write(commands.line(commands.Beat(), host.number()))
    cut, after_s = host.cut_within(mark, 2.0)
    if after_s is None:
        return "it was still armed after 2 s of silence"
    line_s = 2.0 / host.hello.line_hz
    if not 0.3 <= after_s <= commands.HEARTBEAT_LOST_S + line_s + SLACK_S:
        return f"it cut {1000.0 * after_s:.0f} ms after the last line"
    if cut is None or cut.cause != "heartbeat":
        return "no X line with `heartbeat` came"
    return None if host.status & Status.HEARTBEAT else "the status bit `heartbeat` is not set"


def cuts_at_a_limit(host: Host) -> str | None:
    channel = _limited(host)
    now = _data(host, 0.2)[-1].counts[channel.index]
    answer, _ = host.tell(commands.Limit(str(channel.index), None, now - 1000, 0))
    try:
        if answer is None or not answer.accepted:
            return f"a limit is answered {_said(answer)}"
        mark = len(host.heard)
        host.beating = True
        armed_s = host.wire.now_s()
        host.tell(commands.Arm(host.hello.boot))
        # By the X line: a data line from before the arm was obeyed tells of the cut before it.
        host.listen(1.0, lambda: host.since(mark, Cut))
        if not (cuts := host.since(mark, Cut)):
            return "a reading beyond its limit did not cut"
        if (cuts[0].cause, cuts[0].where) != ("limit", str(channel.index)):
            return f"the X line says {cuts[0].cause} on {cuts[0].where}"
        after_s = next(when for when, line in host.heard[mark:] if line is cuts[0]) - armed_s
        lines_s = LIMIT_WITHIN_LINES / host.hello.line_hz
        if after_s > commands.ANSWER_WITHIN_S + lines_s + SLACK_S:
            return f"the X line came {1000.0 * after_s:.0f} ms after the arm"
        host.listen(2.0 / host.hello.line_hz + SLACK_S)
        return None if host.status & Status.LIMIT else "the status bit `limit` is not set"
    finally:
        host.tell(commands.Limit(str(channel.index), None, None, 0))


def forgets_a_limit_taken_away(host: Host) -> str | None:
    _limited(host)
    _must_arm(host)
    host.listen(0.5)
    return None if host.status & Status.ARMED else "it cut for a limit that was taken away"


def refuses_a_limit_without_a_channel(host: Host) -> str | None:
    _limited(host)
    absent = len(host.channels)
    if absent > 15:
        raise DoesNotApply("it has every channel there can be")
    return _refused(host, commands.Limit(str(absent), None, 5, 0), "range")


def zeroes_a_channel(host: Host) -> str | None:
    _needs(host, "Z")
    channel = next((channel for channel in host.channels if "Z" in channel.abilities), None)
    if channel is None:
        return "the hello says Z, and no channel does"
    mark = len(host.heard)
    answer, _ = host.tell(commands.Zero(channel.index))
    if answer is None or not answer.accepted:
        return f"zero is answered {_said(answer)}"
    if not any(line.index == channel.index for line in host.since(mark, Channel)):
        return "the channel's line did not come again"
    return None


def _stops(host: Host, line: Callable[[], bytes], *, answered: bool) -> str | None:
    _needs(host, "S")
    _must_arm(host)
    mark, stop = len(host.heard), line()
    host.wire.write(stop)
    cut, after_s = host.cut_within(mark, 1.0)
    if after_s is None:
        return "it is still armed a second after a stop"
    limit_s = STOP_WITHIN_S + 2.0 / host.hello.line_hz + SLACK_S + len(stop) / 10_000.0
    if after_s > limit_s:
        return f"a data line told of the cut {1000.0 * after_s:.0f} ms after the stop"
    host.listen(0.1)
    if cut is None or cut.cause != "stop":
        return "no X line with `stop` came"
    if answered and not host.since(mark, Answer):
        return "the stop was not answered"
    return None


def _arm(host: Host) -> str | None:
    host.beating = True
    answer, _ = host.tell(commands.Arm(host.hello.boot))
    if answer is None or not answer.accepted:
        return f"arm is answered {_said(answer)}"
    status = host.status
    if not status & Status.ARMED or status & Status.CUT:
        return f"armed, and its status is {int(status)}"
    return None


def _must_arm(host: Host) -> None:
    trouble = _arm(host)
    if trouble:
        raise DoesNotApply(f"it could not be armed: {trouble}")


def _disarm(host: Host) -> None:
    host.beating = False
    host.wire.write(commands.stop_lines(host.number()))
    host.listen(0.05)


def _refused(host: Host, command: commands.Command, reason: str) -> str | None:
    answer, _ = host.tell(command)
    if answer is not None and not answer.accepted and answer.reason == reason:
        return None
    return f"{command.word!r} is answered {_said(answer)}, not no,{reason}"


def _said(answer: Answer | None) -> str:
    if answer is None:
        return "not at all"
    return "ok" if answer.accepted else f"no,{answer.reason}"


def _needs(host: Host, ability: str) -> None:
    if ability not in host.hello.abilities:
        raise DoesNotApply(f"the board has no ability {ability}")


def _limited(host: Host) -> Channel:
    _needs(host, "L")
    channel = next((channel for channel in host.channels if "L" in channel.abilities), None)
    if channel is None:
        raise DoesNotApply("no channel can have a limit")
    return channel


def _data(host: Host, seconds: float) -> list[Data]:
    mark = len(host.heard)
    host.listen(seconds)
    return host.since(mark, Data)


def _introduced(host: Host) -> bool:
    hello = host.newest(Hello)
    return hello is not None and len(host.channels) == hello.channels


RULES: tuple[tuple[Rule, str, str], ...] = (
    (introduces, "What the board says", "introduces itself"),
    (keeps_to_the_framing, "Framing", "keeps to the framing"),
    (counts_its_lines, "D: data", "counts its lines one by one"),
    (keeps_its_rate_and_clock, "H: hello", "keeps its rate and clock"),
    (keeps_counts_within_their_scale, "C: channel", "keeps counts within their scale"),
    (tells_edges_and_their_tick_together, "D: data", "tells edges and their tick together"),
    (repeats_its_introduction, "What the board says", "repeats its introduction if deaf"),
    (starts_with_its_drive_off, "Timing", "has its drive off until armed"),
    (answers_in_time, "Timing", "answers within 50 ms"),
    (introduces_before_it_answers, "What the host says", "introduces itself, then answers"),
    (refuses_what_it_does_not_know, "A: answer", "refuses what it does not know"),
    (passes_over_damaged_lines, "What is not understood", "passes over damaged lines"),
    (refuses_throttle_while_cut, "What the host says", "refuses throttle while cut"),
    (refuses_another_boots_arm, "What the host says", "refuses another boot's arm"),
    (arms, "What the host says", "arms, and stays armed while it is spoken to"),
    (obeys_a_numbered_stop, "Timing", "obeys a numbered stop"),
    (obeys_the_bare_word, "What the host says", "obeys stop as a bare word"),
    (obeys_stop_after_rubbish, "What is not understood", "obeys stop after endless rubbish"),
    (answers_stop_when_cut, "What the host says", "answers stop when nothing is armed"),
    (cuts_when_the_host_is_silent, "Timing", "cuts when the host falls silent"),
    (cuts_at_a_limit, "What the host says", "cuts at a limit"),
    (forgets_a_limit_taken_away, "What the host says", "forgets a limit taken away"),
    (refuses_a_limit_without_a_channel, "A: answer", "refuses a limit without a channel"),
    (zeroes_a_channel, "What the host says", "zeroes a channel"),
)
"""Each with its section in firmware_protocol.md and its name."""
