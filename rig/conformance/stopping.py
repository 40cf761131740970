"""Rules on arming, stopping, and the host that falls silent."""

from __future__ import annotations

from collections.abc import Callable

from rig.conformance.answering import damaged_beat
from rig.conformance.host import Host
from rig.conformance.steps import (
    SLACK_S,
    STOP_WITHIN_S,
    DoesNotApply,
    arm,
    below,
    disarm,
    limit,
    limit_cut,
    limited,
    must_arm,
    needs,
    said,
)
from rig.protocol import commands
from rig.protocol.framing import frame
from rig.protocol.records import Answer, Cut, Data, Status

SILENT_AT_LEAST_S = commands.HEARTBEAT_LOST_S - 0.01
SILENT_AT_MOST_S = commands.HEARTBEAT_LOST_S + 0.01

WORDS = (b"\nstop\n", b"\nSTOP\n", b"\nStop\r\n", b"\n \tSToP \r\n")


def starts_with_its_drive_off(host: Host) -> str | None:
    needs(host, "S")
    status = host.status
    if status & Status.ARMED or not status & Status.CUT:
        return f"not armed, and its status is {int(status)}"
    return None


def arms(host: Host) -> str | None:
    needs(host, "S")
    trouble = arm(host)
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
    for word in WORDS:
        trouble = _stops(host, lambda word=word: word, answered=False)  # type: ignore[misc]
        if trouble:
            return f"{word!r}: {trouble}"
    return None


def obeys_stop_after_rubbish(host: Host) -> str | None:
    return _stops(host, lambda: b"x" * 1000 + commands.STOP_WORD, answered=False)


def answers_stop_when_cut(host: Host) -> str | None:
    needs(host, "S")
    answer, _ = host.tell(commands.Stop())
    return None if answer and answer.accepted else f"stop while cut is answered {said(answer)}"


def says_x_once(host: Host) -> str | None:
    must_arm(host)
    mark = len(host.heard)
    host.beating = False
    for _ in range(3):
        host.wire.write(commands.stop_lines(host.number()))
        host.listen(0.1)
    count = len(host.since(mark, Cut))
    return None if count <= 1 else f"{count} X lines for one cut"


def cuts_when_the_host_is_silent(host: Host) -> str | None:
    must_arm(host)
    mark, told_s = len(host.heard), host.wire.now_s()
    host.beating = False
    host.wire.write(host.beat())
    host.listen(2.0, lambda: host.since(mark, Cut))
    came_s = [when for when, record in host.heard[mark:] if isinstance(record, Cut)]
    if not came_s:
        if host.status & Status.ARMED:
            return "it was still armed after 2 s of silence"
        return "no X line with `heartbeat` came"
    after_s = came_s[0] - told_s
    if not SILENT_AT_LEAST_S <= after_s <= SILENT_AT_MOST_S + SLACK_S:
        return f"it cut {1000.0 * after_s:.0f} ms after the last line"
    if (cause := host.since(mark, Cut)[0].cause) != "heartbeat":
        return f"the X line says {cause}, not heartbeat"
    return None if host.status & Status.HEARTBEAT else "the status bit `heartbeat` is not set"


def is_not_kept_alive_by_damage(host: Host) -> str | None:
    cut = _after_a_second_of(host, lambda: damaged_beat(host)[0])
    return None if cut else "lines with a wrong checksum keep it armed"


def is_kept_alive_by_what_it_refuses(host: Host) -> str | None:
    cut = _after_a_second_of(host, lambda: frame(f"wobble,{host.number()}"))
    return "it cut, though lines with a good checksum came all the time" if cut else None


def forgets_the_cause_at_the_next_arm(host: Host) -> str | None:
    must_arm(host)
    mark = len(host.heard)
    host.beating = False
    if not host.sees(mark, Status.HEARTBEAT, within_s=1.0):
        raise DoesNotApply("the status bit `heartbeat` is never set")
    trouble = _cause_left(host)
    if not trouble and any("L" in channel.abilities for channel in host.channels):
        channel = limited(host)
        with limit(host, channel.index, None, below(host, channel)):
            limit_cut(host, channel.index, 0.0)
        trouble = _cause_left(host)
    return trouble


def _cause_left(host: Host) -> str | None:
    must_arm(host)
    left = host.status & (Status.LIMIT | Status.HEARTBEAT | Status.WATCHDOG)
    disarm(host)
    return f"armed again, and its status still has {int(left)}" if left else None


def _after_a_second_of(host: Host, line: Callable[[], bytes]) -> bool:
    """Whether the board cuts when these lines come in place of beats."""
    must_arm(host)
    mark = len(host.heard)
    host.beating = False
    for _ in range(round(1.0 / commands.HEARTBEAT_EVERY_S)):
        host.wire.write(line())
        host.listen(commands.HEARTBEAT_EVERY_S)
    lines = host.since(mark, Data)
    return bool(host.since(mark, Cut)) or any(line.status & Status.CUT for line in lines)


def _stops(host: Host, line: Callable[[], bytes], *, answered: bool) -> str | None:
    must_arm(host)
    mark, stop = len(host.heard), line()
    host.wire.write(stop)
    cut, after_s = host.cut_within(mark, host.patience_s)
    if after_s is None:
        return "it is still armed a second after a stop"
    limit_s = STOP_WITHIN_S + 2.0 * host.line_s + SLACK_S + len(stop) / 10_000.0
    if after_s > limit_s:
        return f"a data line told of the cut {1000.0 * after_s:.0f} ms after the stop"
    host.listen(0.1)
    cut = next(iter(host.since(mark, Cut)), cut)
    if cut is None or cut.cause != "stop":
        return "no X line with `stop` came"
    if answered and not host.since(mark, Answer):
        return "the stop was not answered"
    return None
