"""How a simulated board is set up: the stand it serves, the drive on it, and what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

from rig.errors import SettingsError
from rig.simulator.drive import Drive
from rig.simulator.faults import Fault
from rig.simulator.misfits import misfits
from rig.stand.model import Stand
from rig.stand.settings import demo_stand

EVERYTHING = "STLZ"
"""A board that obeys stop, throttle and limits, and can zero what has a zero."""

BY_HAND = "SLZ"
"""A board that can cut the drive, while a hand sets the throttle."""

NOTHING = ""
"""A board that only talks."""

NEAR_THE_WRAP = (2**16 - 150, 2**32 - 2_000_000, 2**16 - 100)
"""A `start` from which every counter wraps within a second or so of driving."""

marram = cache(demo_stand)


@dataclass(frozen=True, slots=True)
class Settings:
    """One board and the drive it looks at. Raises SettingsError for values out of range."""

    timing_deg: float | None = None
    """None for the motor's own; so with `cells`, and the pack or bench supply of the drive."""
    cells: int | None = None
    volts: float | None = None
    """The supply at rest; None for a pack that has been charged and flown a little."""
    bench_supply: bool = False
    """`volts` come from a bench supply and not from a pack."""
    throttle: float = 0.0
    """0 to 1, set by hand on a board that does not drive the throttle itself."""
    seed: int = 0
    """Of noise, gusts, faults, and what differs between runs: air, charge, boot number."""
    stand_seed: int = 0
    """Of the stand's own errors, which one stand keeps from run to run."""
    ideal: bool = False
    """Components, clock and runs are exactly as named: no errors but the converter's own."""
    noise_counts: float | None = None
    """Standard deviation of one conversion, where an input has none of its own."""
    line_hz: int = 200
    tick_hz: int = 2_000_000
    baud: int = 0
    """Line speed that holds the bytes back; 0 for a link faster than anything we say."""
    start: tuple[int, int, int] = (0, 0, 0)
    """First sequence number, tick and edge count; others than 0 are for tests."""
    reference: bool = False
    """The board measures its supply, the reference, against a bandgap and sends that."""
    abilities: str = EVERYTHING
    faults: tuple[Fault, ...] = ()
    stand: Stand = field(default_factory=marram)
    drive: Drive = field(default_factory=Drive)

    def __post_init__(self) -> None:
        ranges = {
            "timing_deg": (0.0, 45.0),
            "cells": (1, 100),
            "volts": (0.1, 1000.0),
            "throttle": (0.0, 1.0),
            "noise_counts": (0.0, 100.0),
            "line_hz": (1, 10_000),
            "tick_hz": (100_000, 100_000_000),
            "baud": (0, 100_000_000),
        }
        mistakes = [
            f"{name} is {value:g}, allowed is {low:g} to {high:g}"
            for name, (low, high) in ranges.items()
            if (value := getattr(self, name)) is not None and not low <= value <= high
        ]
        mistakes += misfits(self.stand, self.drive, self.faults)
        if mistakes:
            raise SettingsError("; ".join(mistakes), where="simulated board")
