"""What a stand is: its channels, their sensors, its tachometer and its limits.

Frozen and picklable, so that the recorder process can be handed a whole stand. The bounds
in the annotations are enforced by `rig.stand.settings`, which is the only way a stand.toml
becomes a `Stand`; this file needs nothing heavier than the vocabulary of bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Gt, Interval, Le

from rig.stand.sensor_kinds import NOTHING as NOTHING
from rig.stand.sensor_kinds import ONE as ONE
from rig.stand.sensor_kinds import SENSORS as SENSORS
from rig.stand.sensor_kinds import Closed as Closed
from rig.stand.sensor_kinds import Digital as Digital
from rig.stand.sensor_kinds import Divider as Divider
from rig.stand.sensor_kinds import Line as Line
from rig.stand.sensor_kinds import LoadCell as LoadCell
from rig.stand.sensor_kinds import NotNegative as NotNegative
from rig.stand.sensor_kinds import NtcBeta as NtcBeta
from rig.stand.sensor_kinds import NtcSteinhart as NtcSteinhart
from rig.stand.sensor_kinds import Parameter as Parameter
from rig.stand.sensor_kinds import Position as Position
from rig.stand.sensor_kinds import Positive as Positive
from rig.stand.sensor_kinds import PositiveParameter as PositiveParameter
from rig.stand.sensor_kinds import Pt100 as Pt100
from rig.stand.sensor_kinds import Pt1000 as Pt1000
from rig.stand.sensor_kinds import Resistive as Resistive
from rig.stand.sensor_kinds import Sensor as Sensor
from rig.stand.sensor_kinds import Shunt as Shunt


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """One quantity: our `key` for it, the label of the board's channel, and the sensor."""

    key: str
    board_label: str
    sensor: Sensor


@dataclass(frozen=True, slots=True)
class Tachometer(Closed):
    """How edges become speed.

    A speed of less than one edge in `standstill_s` is 0 rpm. A reading above `highest_rpm`,
    one that changed faster than `fastest_change_rpm_per_s`, or one of few edges that has one
    too many or too few, is taken for a glitch until it has come three times in a row.
    """

    pulses_per_revolution: Annotated[int, Interval(ge=1, le=1000)]
    """Marks, or edges that the board counts, per turn."""
    standstill_s: Annotated[float, Gt(0), Le(60)] = 0.5
    """Less than one edge in so many seconds is 0 rpm."""
    fastest_change_rpm_per_s: Positive = 200_000.0
    """A faster change is taken for a glitch, rpm/s."""
    highest_rpm: Positive = 200_000.0
    """A higher speed is taken for a glitch, rpm."""
    clock_tolerance_pct: NotNegative = 0.5
    """How far the board's clock may be off, percent: a resonator (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Motor(Closed):
    """What the motor's label says, for the shaft that the tachometer sees.

    Behind a gear, divide `rpm_per_volt` by its ratio. `resistance_ohm` is that between two
    terminals, with the controller's.
    """

    rpm_per_volt: Positive
    """Of the shaft that the tachometer sees, rpm per V."""
    resistance_ohm: Positive | None = None
    """Between two terminals, with the controller's, ohm."""


REFERENCE_DRIFT = "reference drift"
"""The name of that source of uncertainty."""


@dataclass(frozen=True, slots=True)
class Converter(Closed):
    """How far the board's converter and its reference may be off, as half-widths.

    `linearity_counts` is in counts of one conversion: the 10-bit converter of a microcontroller
    has an integral nonlinearity of 0.5 to 1 (typical data sheets, from memory).
    `reference_drift_pct` is how far the reference voltage may move between setups: a supply
    used as the reference, a few K of self-heating (common practice, no source).
    """

    linearity_counts: Annotated[float, Ge(0), Le(100)] = 1.0
    """Integral nonlinearity, counts of one conversion."""
    reference_drift_pct: Annotated[float, Ge(0), Le(10)] = 0.05
    """How far the reference moves from run to run, percent."""


@dataclass(frozen=True, slots=True)
class Reference(Closed):
    """The board's channel that shows how far the converter's reference has moved.

    It counts a bandgap of the board's against the supply. `count_at_calibration` is its mean count
    of one conversion, from when `reference_v` and the stand's lines were measured (`rig show` has
    it for each run). The bandgap itself moves by `steadiness_pct` from run to run, a half-width: a
    data sheet's typical curve has some 100 ppm/K (order of magnitude, from memory), 0.1 % in 10 K.
    """

    board_label: str
    """What the board calls the channel."""
    count_at_calibration: Positive
    """Mean count of one conversion when `reference_v` was measured."""
    steadiness_pct: Annotated[float, Ge(0), Le(10)] = 0.1
    """How far the bandgap moves from run to run, percent."""


@dataclass(frozen=True, slots=True)
class Level(Closed):
    """Plain limits of one quantity, in its unit.

    A reading must lie beyond a level for `hold_s` before it counts (0: at once); a warning
    clears when the reading has come back by more than `hysteresis`.
    """

    warn_over: float | None = None
    """Warn above this reading."""
    trip_over: float | None = None
    """Stop above this reading."""
    warn_under: float | None = None
    """Warn below this reading."""
    trip_under: float | None = None
    """Stop below this reading."""
    hysteresis: NotNegative = 0.0
    """A warning clears when the reading is back by more than this."""
    hold_s: Annotated[float, Ge(0), Le(60)] = 0.0
    """A reading counts after so many seconds beyond a level."""


@dataclass(frozen=True, slots=True)
class OverCurrent(Closed):
    """Inverse-time over-current by IEC 60255-151; `curve` is A to F of its annex."""

    curve: Literal["A", "B", "C", "D", "E", "F"]
    """Of the standard's annex: A inverse, B very and C extremely inverse, D to F those of IEEE."""
    pickup_a: Positive
    """Current from which time counts, A."""
    time_multiplier: Positive = 1.0
    """Stretches the curve in time."""


@dataclass(frozen=True, slots=True)
class Limits(Closed):
    """When to warn and when to stop, in addition to the levels of each quantity."""

    levels: tuple[tuple[str, Level], ...] = ()
    overcurrent: OverCurrent | None = None
    longest_run_s: Positive | None = None
    """Stop a run after so many seconds."""
    stale_s: Positive = 0.5
    """Stop when no line has come for so many seconds."""
    lost_fraction: Annotated[float, Gt(0), Le(1)] = 0.2
    """Stop when so large a share of the lines of the last seconds is lost."""
    stuck_s: Positive = 120.0
    """Stop when a reading has not moved for so many seconds while current flows."""
    cells: Annotated[int, Interval(ge=1, le=100)] | None = None
    """Cells in series of the pack; turns the two voltages below into limits of the supply."""
    cell_warn_v: Positive | None = None
    """Warn below so many volts per cell."""
    cell_trip_v: Positive | None = None
    """Stop below so many volts per cell."""
    cell_hold_s: Annotated[float, Ge(0), Le(60)] = 0.0
    """A cell voltage counts after so many seconds below its level."""

    def level(self, key: str) -> Level | None:
        """The plain limits of `key`, if it has any."""
        return dict(self.levels).get(key)


@dataclass(frozen=True, slots=True)
class Stand:
    """Everything that stand.toml says."""

    name: str
    port: str | None = None
    baud: int = 115_200
    channels: tuple[ChannelSettings, ...] = ()
    tachometer: Tachometer | None = None
    limits: Limits = Limits()
    converter: Converter = Converter()
    reference: Reference | None = None
    motor: Motor | None = None
