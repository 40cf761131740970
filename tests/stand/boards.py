"""Boards for the tests of this room: a hello and its channels."""

from collections.abc import Sequence

from rig.protocol.records import Channel, Data, Hello
from rig.protocol.timeline import Step

LABELS = ("shunt", "pack", "motor", "controller", "cells")


def hello(line_hz: int = 200, tick_hz: int = 2_000_000, channels: int = 5) -> Hello:
    return Hello(1, "bench", "1.0", 7, tick_hz, line_hz, frozenset("STLZ"), channels)


def channel(index: int, label: str, zero: int = 0, abilities: str = "LZ") -> Channel:
    """Ten bits, sixteen conversions to a line."""
    return Channel(index, "x", label, 1024, 16, frozenset(abilities), zero)


def channels(zero: int = 0) -> list[Channel]:
    return [channel(i, label, zero if i == 0 else 0) for i, label in enumerate(LABELS)]


def line(
    counts: Sequence[int], tick: int = 0, edges: int = 0, edge_tick: int = 0
) -> tuple[Step, Data]:
    step = Step(0, tick, edges, edge_tick, 0)
    return step, Data(0, tick % 2**32, edges % 65536, edge_tick % 2**32, 1, tuple(counts))
