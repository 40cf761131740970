"""What a stand is: its channels, their sensors, its tachometer and its limits.

Frozen and picklable, so that the recorder process can be handed a whole stand. The bounds
in the annotations are enforced by `rig.stand.settings`, which is the only way a stand.toml
becomes a `Stand`; this file needs nothing heavier than the vocabulary of bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, get_args

from annotated_types import Ge, Gt, Interval, Le

Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]


class Closed:
    """Settings tables refuse keys they do not know (read by the settings reader)."""

    __slots__ = ()
    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}


@dataclass(frozen=True, slots=True)
class Parameter(Closed):
    """A component's value and its standard uncertainty, in the same unit."""

    value: float
    u: NotNegative = 0.0


@dataclass(frozen=True, slots=True)
class PositiveParameter(Parameter):
    """A `Parameter` that must be above zero, such as a resistance."""

    value: Positive
    u: NotNegative = 0.0


NOTHING = Parameter(0.0)
ONE = PositiveParameter(1.0)

TEMPERATURE = ("temperature",)


class SensorKind(Closed):
    """What every kind of sensor says of itself, beside the keys of its table in stand.toml."""

    __slots__ = ()

    kind: ClassVar[str]
    """Its name in stand.toml."""
    measures: ClassVar[tuple[str, ...]]
    """Among current, voltage, torque, thrust and temperature."""
    feels_reference: ClassVar[bool] = False
    """Whether a reading changes with the converter's reference; it cancels in a ratio."""
    zeroed: ClassVar[str | None] = None
    """The key that the board's zero replaces."""
    example: ClassVar[str]
    """A channel's table, for `rig help stand`."""


@dataclass(frozen=True, slots=True)
class Shunt(SensorKind):
    """A current shunt behind an amplifier: volts at the converter = I * shunt * gain + offset.

    Where the board has zeroed the channel, the board's zero stands in for `offset_v`.
    """

    kind: ClassVar[str] = "shunt"
    measures: ClassVar[tuple[str, ...]] = ("current",)
    feels_reference: ClassVar[bool] = True
    zeroed: ClassVar[str | None] = "offset_v"
    example: ClassVar[str] = """\
[channels.current]
board_label = "shunt"
sensor = "shunt"
shunt_ohm = {value = 0.00075, tolerance_pct = 0.25}
gain = {value = 50.0, tolerance_pct = 0.5}
reference_v = {value = 5.0, tolerance_pct = 0.2}"""

    shunt_ohm: PositiveParameter
    """The shunt's resistance, ohm: 0.00075 for 75 mV at 100 A."""
    reference_v: PositiveParameter
    """The converter's reference, V."""
    gain: PositiveParameter = ONE
    """Of the amplifier, V per V."""
    offset_v: Parameter = NOTHING
    """Volts at the converter while no current flows; half the reference for both directions."""


@dataclass(frozen=True, slots=True)
class Divider(SensorKind):
    """A resistive divider: `upper_ohm` to the supply, `lower_ohm` to ground."""

    kind: ClassVar[str] = "divider"
    measures: ClassVar[tuple[str, ...]] = ("voltage",)
    feels_reference: ClassVar[bool] = True
    example: ClassVar[str] = """\
[channels.voltage]
board_label = "pack"
sensor = "divider"
upper_ohm = {value = 56000.0, tolerance_pct = 0.5}
lower_ohm = {value = 10000.0, tolerance_pct = 0.5}
reference_v = {value = 5.0, tolerance_pct = 0.2}"""

    upper_ohm: PositiveParameter
    """The resistor between supply and input, ohm."""
    lower_ohm: PositiveParameter
    """The resistor between input and ground, ohm."""
    reference_v: PositiveParameter
    """The converter's reference, V."""


Position = Literal["low", "high"]
"""Whether a resistive sensor sits at ground or at the reference; the series resistor takes
the other place. Sensor and converter share the reference, which therefore cancels."""


@dataclass(frozen=True, slots=True)
class NtcBeta(SensorKind):
    """A thermistor known by its resistance at 25 degC and its B value."""

    kind: ClassVar[str] = "ntc-beta"
    measures: ClassVar[tuple[str, ...]] = TEMPERATURE
    example: ClassVar[str] = """\
[channels.motor]
sensor = "ntc-beta"
r25_ohm = {value = 10000.0, tolerance_pct = 1.0}
beta_k = {value = 3977.0, tolerance_pct = 0.75}
series_ohm = 10000.0"""

    r25_ohm: PositiveParameter
    """Resistance at 25 degC, ohm."""
    beta_k: PositiveParameter
    """The data sheet's B value, K."""
    series_ohm: PositiveParameter
    """The resistor in series, ohm."""
    position: Position = "low"
    """Where the sensor sits: at ground (low) or at the reference (high)."""


@dataclass(frozen=True, slots=True)
class NtcSteinhart(SensorKind):
    """A thermistor known by Steinhart-Hart: 1/T = a + b ln R + c (ln R)^3, R in ohm, T in K.

    A stand.toml may give three `points` of [ohm, degC] instead of a, b and c.
    """

    kind: ClassVar[str] = "ntc-steinhart"
    measures: ClassVar[tuple[str, ...]] = TEMPERATURE
    example: ClassVar[str] = """\
[channels.motor]
sensor = "ntc-steinhart"
points = [[32650.0, 0.0], [10000.0, 25.0], [1072.0, 85.0]]
series_ohm = 10000.0"""

    a: Parameter
    """Coefficient of 1/T = a + b ln R + c (ln R)^3, 1/K."""
    b: Parameter
    """The same, of ln R, 1/K."""
    c: Parameter
    """The same, of (ln R)^3, 1/K."""
    series_ohm: PositiveParameter
    """The resistor in series, ohm."""
    position: Position = "low"
    """Where the sensor sits: at ground (low) or at the reference (high)."""


@dataclass(frozen=True, slots=True)
class Pt100(SensorKind):
    """A platinum resistor by IEC 60751, 100 ohm at 0 degC."""

    kind: ClassVar[str] = "pt100"
    measures: ClassVar[tuple[str, ...]] = TEMPERATURE
    example: ClassVar[str] = """\
[channels.motor]
sensor = "pt100"
series_ohm = {value = 1000.0, tolerance_pct = 0.1}
position = "low\""""

    series_ohm: PositiveParameter
    """The resistor in series, ohm."""
    r0_ohm: PositiveParameter = PositiveParameter(100.0)
    """Resistance at 0 degC, ohm."""
    position: Position = "low"
    """Where the sensor sits: at ground (low) or at the reference (high)."""


@dataclass(frozen=True, slots=True)
class Pt1000(SensorKind):
    """A platinum resistor by IEC 60751, 1000 ohm at 0 degC."""

    kind: ClassVar[str] = "pt1000"
    measures: ClassVar[tuple[str, ...]] = TEMPERATURE
    example: ClassVar[str] = """\
[channels.motor]
sensor = "pt1000"
series_ohm = {value = 10000.0, tolerance_pct = 0.1}"""

    series_ohm: PositiveParameter
    """The resistor in series, ohm."""
    r0_ohm: PositiveParameter = PositiveParameter(1000.0)
    """Resistance at 0 degC, ohm."""
    position: Position = "low"
    """Where the sensor sits: at ground (low) or at the reference (high)."""


@dataclass(frozen=True, slots=True)
class Digital(SensorKind):
    """A temperature that the board reads from a digital sensor."""

    kind: ClassVar[str] = "digital"
    measures: ClassVar[tuple[str, ...]] = TEMPERATURE
    example: ClassVar[str] = """\
[channels.controller]
sensor = "digital"
degc_per_count = 0.0625"""

    degc_per_count: PositiveParameter
    """Degrees Celsius per count."""
    offset: Parameter = NOTHING
    """The temperature at count 0, degC."""


@dataclass(frozen=True, slots=True)
class LoadCell(SensorKind):
    """A load cell: (mean count - zero) * `per_count` * arm.

    `per_count` is newtons or newton-metres per count; with `arm_m` (torque only) it is
    newtons at the end of the arm. A board's zero stands in for `zero_count`.
    """

    kind: ClassVar[str] = "load-cell"
    measures: ClassVar[tuple[str, ...]] = ("torque", "thrust")
    zeroed: ClassVar[str | None] = "zero_count"
    example: ClassVar[str] = """\
[channels.torque]
sensor = "load-cell"
per_count = {value = 0.0021, tolerance_pct = 0.5}
arm_m = {value = 0.12, tolerance = 0.0005}"""

    per_count: Parameter
    """N or N m per count; N per count where `arm_m` is given."""
    zero_count: Parameter = NOTHING
    """The mean count without load."""
    arm_m: PositiveParameter | None = None
    """Of a torque: the distance from the axis to the cell, m."""


Row = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line(SensorKind):
    """A fitted line: quantity = intercept + slope * mean count per conversion.

    `covariance` is ((var intercept, cov), (cov, var slope)); the unit is the key's. For
    current, torque and thrust a board's zero stands in for the intercept. `fit_points` is how
    many points the line was fitted to, None where the covariance is known well: few points give
    a wider interval (`rig.stand.uncertainty`).
    """

    kind: ClassVar[str] = "line"
    measures: ClassVar[tuple[str, ...]] = ("current", "voltage", "torque", "thrust", "temperature")
    example: ClassVar[str] = """\
[channels.current]
sensor = "line"
intercept = -0.21
slope = 0.1304
covariance = [[4e-4, -2e-7], [-2e-7, 1e-9]]
fit_points = 6"""

    intercept: float
    """The quantity at count 0, in its unit."""
    slope: float
    """The quantity per count, in its unit."""
    covariance: tuple[Row, Row] = ((0.0, 0.0), (0.0, 0.0))
    """Of intercept and slope, as [[var, cov], [cov, var]]."""
    fit_points: Annotated[int, Interval(ge=3, le=1_000_000)] | None = None
    """How many points the line was fitted to; without it the covariance counts as known well."""


Sensor = Shunt | Divider | NtcBeta | NtcSteinhart | Pt100 | Pt1000 | Digital | LoadCell | Line
Resistive = (NtcBeta, NtcSteinhart, Pt100, Pt1000)
SENSORS: dict[str, type[Sensor]] = {kind.kind: kind for kind in get_args(Sensor)}
"""By their names in stand.toml."""


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
