"""Steps that several rules share: arm, disarm, ask for what must be refused, set a limit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from rig.conformance.host import Host
from rig.protocol import commands
from rig.protocol.records import Answer, Channel, Cut, Status

SLACK_S = 0.03
"""What the host's own system and the wire may add to a time."""

STOP_WITHIN_S = 0.01
LIMIT_WITHIN_LINES = 3
BEYOND = 1000
"""Counts by which a limit is set beyond the reading."""

EDGES_WITHIN_S = 0.2
"""A change of speed may take so long to show in the edges per second."""


class DoesNotApply(Exception):  # noqa: N818
    """The board lacks the ability, or another rule that this one builds on is broken."""


def needs(host: Host, ability: str) -> None:
    """Raises DoesNotApply for a board without it."""
    if ability not in host.hello.abilities:
        raise DoesNotApply(f"the board has no ability {ability}")


def arm(host: Host) -> str | None:
    """Arm and go on beating; what is wrong with the answer or the status after it."""
    host.beating = True
    answer, _ = host.tell(commands.Arm(host.hello.boot))
    if answer is None or not answer.accepted:
        return f"arm is answered {said(answer)}"
    status = host.status
    if not status & Status.ARMED or status & Status.CUT:
        return f"armed, and its status is {int(status)}"
    return None


def must_arm(host: Host) -> None:
    """Arm and go on beating. Raises DoesNotApply where that fails."""
    needs(host, "S")
    trouble = arm(host)
    if trouble:
        raise DoesNotApply(f"it could not be armed: {trouble}")


def disarm(host: Host) -> None:
    """Stop, whatever the state."""
    host.beating = False
    host.wire.write(commands.stop_lines(host.number()))
    host.listen(0.05)


def refused(host: Host, command: commands.Command, reason: str) -> str | None:
    """Words unless `command` is answered no, for this reason."""
    answer, _ = host.tell(command)
    if answer is not None and not answer.accepted and answer.reason == reason:
        return None
    return f"{command.word!r} is answered {said(answer)}, not no,{reason}"


def said(answer: Answer | None) -> str:
    """An answer in words."""
    if answer is None:
        return "not at all"
    return "ok" if answer.accepted else f"no,{answer.reason}"


def ignored(host: Host, line: bytes, number: int) -> str | None:
    """Words unless the board leaves `line` without answer and sets `rejected`."""
    mark = len(host.heard)
    host.wire.write(line)
    rejected = host.sees(mark, Status.REJECTED)
    host.listen(0.2)
    if any(answer.number == number for answer in host.since(mark, Answer)):
        return "was answered"
    return None if rejected else "did not set `rejected` in the next data line"


def limited(host: Host, ability: str = "L") -> Channel:
    """The first channel that can have a limit, and whatever else `ability` names."""
    needs(host, "L")
    for channel in host.channels:
        if set(ability) <= channel.abilities:
            return channel
    raise DoesNotApply(f"no channel has the abilities {ability}")


def readings(host: Host, channel: Channel, seconds: float = 0.0) -> list[int]:
    """What the channel says for so long, at least once. Raises DoesNotApply if it says nothing."""
    lines = [line.counts for line in host.data(seconds)]
    if not lines or min(map(len, lines)) <= channel.index:
        raise DoesNotApply(f"no readings of {channel.label} came")
    return [counts[channel.index] for counts in lines]


def below(host: Host, channel: Channel) -> int:
    """A limit that the channel's reading is above, as long as the supply is off."""
    return readings(host, channel)[-1] - BEYOND


@contextmanager
def limit(
    host: Host, where: int | str, low: int | None, high: int | None, hold_ms: int = 0
) -> Iterator[None]:
    """The board holds this limit meanwhile. Raises DoesNotApply where it refuses it."""
    answer, _ = host.tell(commands.Limit(where, low, high, hold_ms))
    if answer is None or not answer.accepted:
        raise DoesNotApply(f"a limit is answered {said(answer)}")
    try:
        yield
    finally:
        host.tell(commands.Limit(where, None, None, 0))


def limit_cut(host: Host, where: int | str, within_s: float) -> tuple[str | None, float]:
    """Arm under a limit that is passed: what is wrong, and when the X line came after the arm.

    By the X line: a data line from before the arm was obeyed tells of the cut before it.
    """
    mark, told_s = len(host.heard), host.wire.now_s()
    host.beating = True
    answer, _ = host.tell(commands.Arm(host.hello.boot))
    if answer is None or not answer.accepted:
        raise DoesNotApply(f"arm is answered {said(answer)}")
    host.listen(within_s + host.patience_s, lambda: host.since(mark, Cut))
    host.beating = False
    for came_s, record in host.heard[mark:]:
        if isinstance(record, Cut):
            if (record.cause, record.where) != ("limit", str(where)):
                return f"the X line says {record.cause} on {record.where}", 0.0
            after_s = came_s - told_s
            if after_s > within_s + limit_slack_s(host):
                return f"the X line came {1000.0 * after_s:.0f} ms after the arm", after_s
            return None, after_s
    return "a reading beyond its limit did not cut", 0.0


def limit_slack_s(host: Host) -> float:
    """What may pass between the arm that is sent and the X line, beside the limit's hold."""
    return commands.ANSWER_WITHIN_S + LIMIT_WITHIN_LINES * host.line_s + SLACK_S


def stays_armed(host: Host, seconds: float) -> bool:
    """Arm, and see whether no cut comes for so long. Raises DoesNotApply where arming fails."""
    mark = len(host.heard)
    trouble = arm(host)
    if trouble and not host.since(mark, Cut):
        raise DoesNotApply(f"it could not be armed: {trouble}")
    host.listen(seconds)
    return bool(host.status & Status.ARMED) and not host.since(mark, Cut)


def edges_per_s(host: Host) -> float:
    """The speed of a turning tachometer. Raises DoesNotApply where it does not turn."""
    if not host.turning:
        raise DoesNotApply("it needs edges: spin the tachometer and add --turning")
    lines = host.data(0.5, least=2)
    if len(lines) < 2:
        raise DoesNotApply("no data lines came")
    edges = (lines[-1].edges - lines[0].edges) % 65536
    ticks = (lines[-1].edge_tick - lines[0].edge_tick) % 2**32
    return edges * host.hello.tick_hz / ticks if ticks else 0.0
