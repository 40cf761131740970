"""Rules on limits: of channels, of the edges per second, their holds, and how long they last."""

from __future__ import annotations

from rig.conformance.host import Host
from rig.conformance.steps import (
    BEYOND,
    EDGES_WITHIN_S,
    SLACK_S,
    DoesNotApply,
    below,
    edges_per_s,
    limit,
    limit_cut,
    limit_slack_s,
    limited,
    needs,
    readings,
    said,
    stays_armed,
)
from rig.protocol import commands
from rig.protocol.records import Channel, Cut, Status

HOLD_MS = 300
QUIET_S = 0.4
SLOWEST_EDGES_PER_S = 20.0
UNREACHABLE = 1_000_000


def cuts_at_a_limit(host: Host) -> str | None:
    channel = limited(host)
    high = below(host, channel)
    answer, _ = host.tell(commands.Limit(channel.index, None, high, 0))
    if answer is None or not answer.accepted:
        return f"a limit is answered {said(answer)}"
    with limit(host, channel.index, None, high):
        trouble, _ = limit_cut(host, channel.index, 0.0)
        if trouble:
            return trouble
        host.listen(2.0 * host.line_s + SLACK_S)
        return None if host.status & Status.LIMIT else "the status bit `limit` is not set"


def cuts_at_a_low_limit(host: Host) -> str | None:
    channel = limited(host)
    with limit(host, channel.index, readings(host, channel)[-1] + BEYOND, None):
        return limit_cut(host, channel.index, 0.0)[0]


def keeps_a_limits_hold(host: Host) -> str | None:
    """The reading is beyond for longer than the hold before the arm, which does not count."""
    channel = limited(host)
    hold_s = HOLD_MS / 1000.0
    with limit(host, channel.index, None, below(host, channel), HOLD_MS):
        host.listen(hold_s + QUIET_S)
        trouble, after_s = limit_cut(host, channel.index, hold_s)
    if trouble:
        return f"with a hold of {HOLD_MS} ms: {trouble}"
    if after_s < hold_s:
        return f"with a hold of {HOLD_MS} ms it cut {1000.0 * after_s:.0f} ms after the arm"
    return None


def changes_nothing_when_armed_twice(host: Host) -> str | None:
    channel = limited(host)
    hold_s = HOLD_MS / 1000.0
    with limit(host, channel.index, None, below(host, channel), HOLD_MS):
        mark, told_s = len(host.heard), host.wire.now_s()
        host.beating = True
        host.tell(commands.Arm(host.hello.boot))
        host.listen(2.0 / 3.0 * hold_s, lambda: host.since(mark, Cut))
        if not host.since(mark, Cut):
            host.tell(commands.Arm(host.hello.boot))
        host.listen(hold_s + host.patience_s, lambda: host.since(mark, Cut))
        came_s = [when for when, record in host.heard[mark:] if isinstance(record, Cut)]
    if not came_s:
        raise DoesNotApply("a limit with a hold does not cut")
    after_s = came_s[0] - told_s
    if after_s > hold_s + limit_slack_s(host):
        return f"a second arm made a hold of {HOLD_MS} ms last {1000.0 * after_s:.0f} ms"
    return None


def keeps_its_limits_after_a_cut(host: Host) -> str | None:
    channel = limited(host)
    with limit(host, channel.index, None, below(host, channel)):
        for time in ("first", "second"):
            trouble, _ = limit_cut(host, channel.index, 0.0)
            if trouble and time == "first":
                raise DoesNotApply(trouble)
            if trouble:
                return f"armed again after the cut: {trouble}"
    return None


def forgets_a_limit_taken_away(host: Host) -> str | None:
    channel = limited(host)
    with limit(host, channel.index, None, below(host, channel)):
        pass
    return None if stays_armed(host, QUIET_S) else "it cut for a limit that was taken away"


def judges_readings_less_their_zero(host: Host) -> str | None:
    needs(host, "Z")
    channel = _channel_with_zero(host)
    near = abs(channel.zero) // 2
    noise = max(map(abs, readings(host, channel, 0.3)))
    if 2 * noise >= near:
        raise DoesNotApply(
            f"the zero of {channel.label} is {channel.zero}, too small beside readings of {noise}"
        )
    with limit(host, channel.index, -near, near):
        if stays_armed(host, QUIET_S):
            return None
    return f"it cut between {-near} and {near}, where its readings are {noise} at most"


def cuts_at_an_edge_limit(host: Host) -> str | None:
    """A low limit needs no edges: without any, 0 per second are too few."""
    needs(host, "L")
    with limit(host, commands.EDGES, UNREACHABLE, None):
        return limit_cut(host, commands.EDGES, 0.0)[0]


def cuts_when_it_turns_too_fast(host: Host) -> str | None:
    needs(host, "L")
    rate = edges_per_s(host)
    if rate < SLOWEST_EDGES_PER_S:
        raise DoesNotApply(f"{rate:.0f} edges per second are too few; turn it faster")
    with limit(host, commands.EDGES, None, round(rate / 2.0)):
        trouble, _ = limit_cut(host, commands.EDGES, EDGES_WITHIN_S)
        if trouble:
            return f"at {rate:.0f} edges per second, limit {rate / 2.0:.0f}: {trouble}"
    with limit(host, commands.EDGES, round(rate / 4.0), round(4.0 * rate), HOLD_MS):
        if not stays_armed(host, HOLD_MS / 1000.0 + QUIET_S):
            return f"it cut between {rate / 4.0:.0f} and {4.0 * rate:.0f}, at {rate:.0f} a second"
    return None


def _channel_with_zero(host: Host) -> Channel:
    """A channel that can be limited and zeroed, zeroed now."""
    channel = limited(host, "LZ")
    host.tell(commands.Zero(channel.index))
    return next(line for line in host.channels if line.index == channel.index)
