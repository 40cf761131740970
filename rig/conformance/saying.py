"""Rules on what a board says of its own accord: introduction, framing, data lines."""

from __future__ import annotations

from itertools import pairwise

from rig.conformance.host import Host
from rig.conformance.steps import SLACK_S, DoesNotApply
from rig.protocol import commands
from rig.protocol.records import Data, Hello
from rig.protocol.timeline import unwrapped

CLOCK_WITHIN = 0.02
REPEATS_EVERY_S = 2.0


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
    lines = host.data(2.0, least=2)
    if len(lines) < 2:
        return "no data lines came"
    for before, after in pairwise(lines):
        if after.sequence != (before.sequence + 1) % 65536:
            return f"{before.sequence} is followed by {after.sequence}"
    return None


def keeps_its_rate_and_clock(host: Host) -> str | None:
    mark = len(host.heard)
    host.data(2.0, least=3)
    rows = [(t, r) for t, r in host.heard[mark:] if isinstance(r, Data)]
    if len(rows) < 3:
        return "no data lines came"
    (first_s, first), (last_s, last) = rows[0], rows[-1]
    ticks = unwrapped(last.tick, first.tick, 32) - first.tick
    lines = (last.sequence - first.sequence) % 65536
    if not ticks or not lines:
        return "its tick or its sequence stands still"
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
    for data in host.data(0.5):
        if len(data.counts) != len(channels):
            return f"{len(data.counts)} counts in a line for {len(channels)} channels"
        for channel, count in zip(channels, data.counts, strict=True):
            top = channel.full_scale * channel.conversions
            lowest = -top if "B" in channel.abilities else 0
            if not lowest <= count + channel.zero <= top:
                return f"{channel.label} says {count}, beyond its scale"
    return None


def tells_edges_and_their_tick_together(host: Host) -> str | None:
    lines = host.data(0.5, least=2)
    for before, after in pairwise(lines):
        more = (after.edges - before.edges) % 65536
        later = (after.edge_tick - before.edge_tick) % 2**32
        if (more == 0) != (later == 0):
            return f"{more} more edges, and their tick moved by {later}"
        # It may lie a little after the line's own tick, but not as far as the next line's.
        ahead = (after.edge_tick - after.tick) % 2**32
        if later and host.line_s * host.hello.tick_hz < ahead < 2**31:
            return "the last edge lies more than a line after its line"
    if host.turning and len(lines) > 1 and lines[0].edges == lines[-1].edges:
        return "no edge came, though --turning says that the tachometer turns"
    return None


def repeats_its_introduction(host: Host) -> str | None:
    if host.hello.can_stop:
        raise DoesNotApply("the board can hear")
    mark = len(host.heard)
    host.listen(2.0 * REPEATS_EVERY_S + 0.5)
    if len(host.since(mark, Hello)) < 2:
        return "a board that cannot hear must repeat its hello every 2 s"
    return None


def is_still_there(host: Host) -> str | None:
    """The last rule: a board that a line made hang or start anew is not overlooked."""
    if not host.data(0.5):
        return "no more data lines come"
    boots = {hello.boot for hello in host.since(0, Hello)}
    if host.hello.can_stop:
        host.tell(commands.AskHello())
        boots.add(host.hello.boot)
    return f"it started anew: its boot numbers are {sorted(boots)}" if len(boots) > 1 else None


def _introduced(host: Host) -> bool:
    hello = host.newest(Hello)
    return hello is not None and len(host.channels) == hello.channels
