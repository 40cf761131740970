"""What a stand is: its channels, their sensors, its tachometer and its limits.

Frozen and picklable, so that the recorder process can be handed a whole stand. The bounds
in the annotations are enforced by `rig.stand.settings`, which is the only way a stand.toml
becomes a `Stand`; this file needs nothing heavier than the vocabulary of bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

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


@dataclass(frozen=True, slots=True)
class Shunt(Closed):
    """A current shunt behind an amplifier: volts at the converter = I * shunt * gain + offset.

    Where the board has zeroed the channel, the board's zero stands in for `offset_v`.
    """

    kind: ClassVar[str] = "shunt"

    shunt_ohm: PositiveParameter
    reference_v: PositiveParameter
    gain: PositiveParameter = ONE
    offset_v: Parameter = NOTHING


@dataclass(frozen=True, slots=True)
class Divider(Closed):
    """A resistive divider: `upper_ohm` to the supply, `lower_ohm` to ground."""

    kind: ClassVar[str] = "divider"

    upper_ohm: PositiveParameter
    lower_ohm: PositiveParameter
    reference_v: PositiveParameter


Position = Literal["low", "high"]
"""Whether a resistive sensor sits at ground or at the reference; the series resistor takes
the other place. Sensor and converter share the reference, which therefore cancels."""


@dataclass(frozen=True, slots=True)
class NtcBeta(Closed):
    """A thermistor known by its resistance at 25 degC and its B value."""

    kind: ClassVar[str] = "ntc-beta"

    r25_ohm: PositiveParameter
    beta_k: PositiveParameter
    series_ohm: PositiveParameter
    position: Position = "low"


@dataclass(frozen=True, slots=True)
class NtcSteinhart(Closed):
    """A thermistor known by Steinhart-Hart: 1/T = a + b ln R + c (ln R)^3, R in ohm, T in K.

    A stand.toml may give three `points` of [ohm, degC] instead of a, b and c.
    """

    kind: ClassVar[str] = "ntc-steinhart"

    a: Parameter
    b: Parameter
    c: Parameter
    series_ohm: PositiveParameter
    position: Position = "low"


@dataclass(frozen=True, slots=True)
class Pt100(Closed):
    """A platinum resistor by IEC 60751, 100 ohm at 0 degC."""

    kind: ClassVar[str] = "pt100"

    series_ohm: PositiveParameter
    r0_ohm: PositiveParameter = PositiveParameter(100.0)
    position: Position = "low"


@dataclass(frozen=True, slots=True)
class Pt1000(Closed):
    """A platinum resistor by IEC 60751, 1000 ohm at 0 degC."""

    kind: ClassVar[str] = "pt1000"

    series_ohm: PositiveParameter
    r0_ohm: PositiveParameter = PositiveParameter(1000.0)
    position: Position = "low"


@dataclass(frozen=True, slots=True)
class Digital(Closed):
    """A temperature that the board reads from a digital sensor."""

    kind: ClassVar[str] = "digital"

    degc_per_count: PositiveParameter
    offset: Parameter = NOTHING


@dataclass(frozen=True, slots=True)
class LoadCell(Closed):
    """A load cell: (mean count - zero) * `per_count` * arm.

    `per_count` is newtons or newton-metres per count; with `arm_m` (torque only) it is
    newtons at the end of the arm. A board's zero stands in for `zero_count`.
    """

    kind: ClassVar[str] = "load-cell"

    per_count: Parameter
    zero_count: Parameter = NOTHING
    arm_m: PositiveParameter | None = None


Row = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line(Closed):
    """A fitted line: quantity = intercept + slope * mean count per conversion.

    `covariance` is ((var intercept, cov), (cov, var slope)); the unit is the key's. For
    current, torque and thrust a board's zero stands in for the intercept. `fit_points` is how
    many points the line was fitted to, None where the covariance is known well: few points give
    a wider interval (`rig.stand.uncertainty`).
    """

    kind: ClassVar[str] = "line"

    intercept: float
    slope: float
    covariance: tuple[Row, Row] = ((0.0, 0.0), (0.0, 0.0))
    fit_points: Annotated[int, Interval(ge=3, le=1_000_000)] | None = None


Sensor = Shunt | Divider | NtcBeta | NtcSteinhart | Pt100 | Pt1000 | Digital | LoadCell | Line
Resistive = (NtcBeta, NtcSteinhart, Pt100, Pt1000)
SENSORS: dict[str, type[Sensor]] = {
    kind.kind: kind
    for kind in (
        Shunt,
        Divider,
        NtcBeta,
        NtcSteinhart,
        Pt100,
        Pt1000,
        Digital,
        LoadCell,
        Line,
    )
}


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
    standstill_s: Annotated[float, Gt(0), Le(60)] = 0.5
    fastest_change_rpm_per_s: Positive = 200_000.0
    highest_rpm: Positive = 200_000.0
    clock_tolerance_pct: NotNegative = 0.5
    """How far the board's clock may be off: a ceramic resonator (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Motor(Closed):
    """What the motor's label says, for the shaft that the tachometer sees.

    Behind a gear, divide `rpm_per_volt` by its ratio. `resistance_ohm` is that between two
    terminals, with the controller's.
    """

    rpm_per_volt: Positive
    resistance_ohm: Positive | None = None


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
    reference_drift_pct: Annotated[float, Ge(0), Le(10)] = 0.05


@dataclass(frozen=True, slots=True)
class Level(Closed):
    """Plain limits of one quantity, in its unit. A level of None is none.

    A reading must lie beyond a level for `hold_s` before it counts (0: at once); a warning
    clears when the reading has come back by more than `hysteresis`.
    """

    warn_over: float | None = None
    trip_over: float | None = None
    warn_under: float | None = None
    trip_under: float | None = None
    hysteresis: NotNegative = 0.0
    hold_s: Annotated[float, Ge(0), Le(60)] = 0.0


@dataclass(frozen=True, slots=True)
class OverCurrent(Closed):
    """Inverse-time over-current by IEC 60255-151; `curve` is A to F of its annex."""

    curve: Literal["A", "B", "C", "D", "E", "F"]
    pickup_a: Positive
    time_multiplier: Positive = 1.0


@dataclass(frozen=True, slots=True)
class Limits(Closed):
    """When to warn and when to stop. `levels` has one `Level` per quantity key."""

    levels: tuple[tuple[str, Level], ...] = ()
    overcurrent: OverCurrent | None = None
    longest_run_s: Positive | None = None
    stale_s: Positive = 0.5
    lost_fraction: Annotated[float, Gt(0), Le(1)] = 0.2
    stuck_s: Positive = 120.0
    cells: Annotated[int, Interval(ge=1, le=100)] | None = None
    cell_warn_v: Positive | None = None
    cell_trip_v: Positive | None = None
    cell_hold_s: Annotated[float, Ge(0), Le(60)] = 0.0

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
    motor: Motor | None = None
