"""The board's inputs: what of the stand each one sees, and the converter behind it.

The stand's file names the sensors; what the converters are like, a real board says itself, and a
simulated one has it from here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated

from annotated_types import Ge, Interval, Le

from rig.protocol.records import text
from rig.stand.model import Closed, Digital, Line, Resistive, Sensor, Stand

Conversions = Annotated[int, Interval(ge=1, le=1000)]
FullScale = Annotated[int, Interval(ge=2, le=2**20)]
Noise = Annotated[float, Ge(0), Le(10_000)]

SENT = "1 to 24 plain characters, no comma and no asterisk"
"""What a board can send as a name."""


def can_be_sent(name: str) -> bool:
    """Whether `name` is such a name."""
    try:
        return name.isascii() and bool(text(name))
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class Input(Closed):
    """One converter. Counts run to `full_scale` - 1, from 0 or from -`full_scale` if bipolar."""

    full_scale: FullScale = 1024
    conversions: Conversions = 16
    """How many are summed in a data line."""
    bipolar: bool = False
    noise_counts: Noise = 0.7
    """Standard deviation of one conversion."""

    @property
    def lowest(self) -> int:
        """The count at the lower end."""
        return -self.full_scale if self.bipolar else 0


@dataclass(frozen=True, slots=True)
class Electronics:
    """The board: its name, its common converter, and inputs that have one of their own."""

    name: str = "marram-sim"
    common: Input = Input()
    own: tuple[tuple[str, Input], ...] = ()
    """By the key of the stand's channel."""

    def behind(self, key: str, sensor: Sensor, noise_counts: float | None = None) -> Input:
        """The converter behind a channel; a digital sensor sends whole numbers of its own."""
        own = dict(self.own).get(key)
        if own is not None:
            return own
        if isinstance(sensor, Digital):
            return Input(2**15, conversions=1, bipolar=True, noise_counts=0.0)
        if noise_counts is not None:
            return replace(self.common, noise_counts=noise_counts)
        return self.common


@dataclass(frozen=True, slots=True)
class Roles:
    """Which channels faults of the wiring are about, as places in the stand's order."""

    current: int | None
    voltage: int | None
    thermistors: tuple[int, ...]
    """Resistive temperature sensors, the motor's first."""
    absolute: tuple[int, ...]
    """Whose reading goes with the converter's reference: no ratio, and nothing digital."""
    marks: int


def roles(stand: Stand) -> Roles:
    """The stand's channels by their part."""
    channels = stand.channels
    places = {channel.key: place for place, channel in enumerate(channels)}
    thermistors = [p for p, c in enumerate(channels) if isinstance(c.sensor, Resistive)]
    absolute = [
        place
        for key in ("current", "voltage")
        if (place := places.get(key)) is not None
        and (channels[place].sensor.feels_reference or isinstance(channels[place].sensor, Line))
    ]
    return Roles(
        current=places.get("current"),
        voltage=places.get("voltage"),
        thermistors=tuple(sorted(thermistors, key=lambda place: channels[place].key != "motor")),
        absolute=tuple(absolute),
        marks=stand.tachometer.pulses_per_revolution if stand.tachometer else 0,
    )
