"""What the board says of itself: its hello, and one line per channel."""

from __future__ import annotations

from collections.abc import Sequence

from rig.protocol.records import Channel, Hello
from rig.simulator.converter import SHUNT, channels_of
from rig.simulator.settings import Settings

BOARD = "marram-sim"
FIRMWARE = "1.0"


def introduction(
    settings: Settings, boot: int, zeros: Sequence[int], version: int
) -> list[Hello | Channel]:
    """The lines in their order; `zeros` holds what each channel takes off its sum."""
    hello = Hello(
        protocol=version,
        board=BOARD,
        firmware=FIRMWARE,
        boot=boot,
        tick_hz=settings.tick_hz,
        line_hz=settings.line_hz,
        abilities=frozenset(settings.abilities),
        channels=len(channels_of(settings)),
    )
    return [hello, *(channel_line(settings, index, zero) for index, zero in enumerate(zeros))]


def channel_line(settings: Settings, index: int, zero: int) -> Channel:
    """One channel's line. Only the shunt can be zeroed."""
    quantity, label = channels_of(settings)[index]
    return Channel(
        index=index,
        quantity=quantity,
        label=label,
        full_scale=settings.wiring.full_scale,
        conversions=settings.wiring.conversions,
        abilities=frozenset("LZ" if index == SHUNT else "L") & frozenset(settings.abilities),
        zero=zero,
    )
