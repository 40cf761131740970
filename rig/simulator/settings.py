"""How a simulated board is set up, with the values of Marram's stand.

The same component values stand in rig/stand/marram.toml; a test holds the two equal.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.errors import SettingsError
from rig.simulator.faults import Fault

EVERYTHING = "STLZ"
"""A board that obeys stop, throttle and limits, and can zero its shunt."""

BY_HAND = "SLZ"
"""A board that can cut the drive, while a hand sets the throttle."""

NOTHING = ""
"""A board that only talks."""

NEAR_THE_WRAP = (2**16 - 150, 2**32 - 2_000_000, 2**16 - 100)
"""A `start` from which every counter wraps within a second or so of driving."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """What stands between the quantities and the converter, as its nominal values."""

    reference_v: float = 5.0
    bandgap_v: float = 1.1
    shunt_ohm: float = 0.00075
    gain: float = 50.0
    upper_ohm: float = 56_000.0
    lower_ohm: float = 10_000.0
    r25_ohm: float = 10_000.0
    beta_k: float = 3977.0
    series_ohm: float = 10_000.0
    """Thermistors lie at the low side, this resistor at the reference."""
    pulses_per_revolution: int = 2
    full_scale: int = 1024
    conversions: int = 16


@dataclass(frozen=True, slots=True)
class Settings:
    """One board and the drive it looks at. Raises SettingsError for values out of range."""

    timing_deg: float = 12.0
    cells: int = 6
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
    noise_counts: float = 0.7
    """Standard deviation of one conversion."""
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
    wiring: Wiring = Wiring()

    def __post_init__(self) -> None:
        ranges = {
            "timing_deg": (0.0, 45.0),
            "cells": (1, 14),
            "throttle": (0.0, 1.0),
            "noise_counts": (0.0, 100.0),
            "line_hz": (1, 10_000),
            "tick_hz": (100_000, 100_000_000),
            "baud": (0, 100_000_000),
        }
        if self.volts is not None:
            ranges["volts"] = (0.1, 100.0)
        mistakes = [
            f"{name} is {value:g}, allowed is {low:g} to {high:g}"
            for name, (low, high) in ranges.items()
            if not low <= (value := getattr(self, name)) <= high
        ]
        if mistakes:
            raise SettingsError("; ".join(mistakes), where="simulated board")
