"""What the board says of itself: its hello, and one line per channel."""

from __future__ import annotations

from collections.abc import Sequence

from rig.protocol.records import Channel, Hello
from rig.simulator.settings import Settings

FIRMWARE = "1.0"
QUANTITIES = ("current", "voltage", "torque", "thrust")
HAVE_A_ZERO = ("current", "torque", "thrust")


def introduction(
    settings: Settings, boot: int, zeros: Sequence[int], version: int
) -> list[Hello | Channel]:
    """The lines in their order; `zeros` holds what each channel takes off its sum."""
    hello = Hello(
        protocol=version,
        board=settings.drive.board.name,
        firmware=FIRMWARE,
        boot=boot,
        tick_hz=settings.tick_hz,
        line_hz=settings.line_hz,
        abilities=frozenset(settings.abilities),
        channels=channel_count(settings),
    )
    return [hello, *(channel_line(settings, index, zero) for index, zero in enumerate(zeros))]


def channel_count(settings: Settings) -> int:
    """The stand's channels, and that of the supply where the board has it."""
    return len(settings.stand.channels) + settings.reference


def channel_line(settings: Settings, index: int, zero: int) -> Channel:
    """One channel's line. What has a natural zero can be zeroed."""
    if index == len(settings.stand.channels):
        return _supply_line(settings, index)
    channel = settings.stand.channels[index]
    key = channel.key
    wired = settings.drive.board.behind(key, channel.sensor)
    abilities = frozenset("LZ" if key in HAVE_A_ZERO else "L") & frozenset(settings.abilities)
    return Channel(
        index=index,
        quantity=key if key in QUANTITIES else "temperature",
        label=channel.board_label,
        full_scale=wired.full_scale,
        conversions=wired.conversions,
        abilities=abilities | frozenset("B" if wired.bipolar else ""),
        zero=zero,
    )


def _supply_line(settings: Settings, index: int) -> Channel:
    """The bandgap against the supply, the converter's reference."""
    wired, reference = settings.drive.board.common, settings.stand.reference
    return Channel(
        index=index,
        quantity="reference",
        label="supply" if reference is None else reference.board_label,
        full_scale=wired.full_scale,
        conversions=wired.conversions,
        abilities=frozenset("L") & frozenset(settings.abilities),
        zero=0,
    )
