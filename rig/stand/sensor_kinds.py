"""The kinds of sensors: what a stand.toml says of each, and what follows from its kind.

Frozen and picklable, as is `rig.stand.model`, which has the rest of a stand. The formulas are
in `rig.stand.sensors`, and what a simulated sensor gives is in `rig.simulator.transducers`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, get_args

from annotated_types import Ge, Gt, Interval

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
