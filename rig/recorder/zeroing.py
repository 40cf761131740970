"""Zeros taken before a run: which channels, whether they may be, and what the board still owes.

Pure. The host sends `zero` only where the operator asks for it, never by itself. It cannot know
that nothing flows: what the board's other electronics draw through the shunt would be taken away
too, in silence, and so would the drift of an amplifier that is about to fail. And a zero per run
has that line's noise as an error of its own, where an offset that is left alone is the same in all
runs and cancels in a comparison.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.protocol.records import Channel, Hello, Status
from rig.stand.bound import BoundChannel
from rig.stand.sampler import Sample

NEAR_NOTHING = 0.02
"""A current of more than this share of its scale is no zero error: 2.7 A of 133 A. Ours, no
source."""


class Zeroing:
    """The zeros of one run, taken one after the other."""

    def __init__(self) -> None:
        self.asked = False
        """Whether zeros were asked for at all."""
        self._waiting: list[int] = []
        self._heard: Channel | None = None

    @property
    def going_on(self) -> bool:
        """Whether a zero is still owed: no limit can be computed before."""
        return bool(self._waiting)

    def begin(self, channels: Sequence[BoundChannel]) -> None:
        """Ask for these."""
        self._waiting = [bound.index for bound in channels]

    def next(self) -> int | None:
        """The channel whose zero is to be taken now."""
        return self._waiting[0] if self._waiting else None

    def hear(self, channel: Channel) -> None:
        """The board says what it takes off a channel."""
        if channel.index == self.next():
            self._heard = channel

    def taken(self) -> Channel | None:
        """The board answered ok: the channel with its zero, None if it did not say which."""
        heard, self._heard = self._heard, None
        self._waiting = self._waiting[1:] if heard else []
        return heard

    def give_up(self) -> None:
        """No more zeros."""
        self._waiting, self._heard = [], None


def why_not(
    hello: Hello, columns: Sequence[str], newest: Sample, channels: Sequence[BoundChannel]
) -> str:
    """Why no zero may be taken now; empty if it may."""
    if not hello.can_zero or not channels:
        return "this board has no channel that it can zero"
    if newest.status & Status.ARMED:
        return "the board is armed"
    values = dict(zip(columns, newest.values, strict=True))
    if values.get("speed_rpm", 0.0) != 0.0:
        return "the rotor is not seen to stand still"
    for bound in channels:
        value, scale = values[bound.column], abs(bound.value(bound.inside_highest - 1))
        if bound.settings.key == "current" and not abs(value) <= NEAR_NOTHING * scale:
            return f"{value:.1f} A is no zero error: current flows, or the amplifier is at fault"
    return ""
