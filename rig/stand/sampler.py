"""Counts to quantities: the stand's settings bound to the channels of one board.

`Sampler.sample` takes one line and is fast with plain floats; `Sampler.columns_of` takes
whole runs as arrays. Both use the same sensor formulas and the same tachometer rules, and a
property test holds them equal.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import SettingsError
from rig.protocol.commands import EDGES, Limit
from rig.protocol.records import FIXED_DATA_FIELDS, Channel, Data, Hello
from rig.protocol.timeline import Step
from rig.stand.model import ChannelSettings, Level, Line, Stand
from rig.stand.quantities import column_of
from rig.stand.sensors import formula_of, plain, ratio_span, share
from rig.stand.tachometer import Speedometer, speeds

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sample:
    """One line in physical units. `values` go with `Sampler.columns`; nan is not known.

    `clipped` names columns at the end of their converter's scale, `faults` pairs of column
    and word (`open`, `shorted`, `glitch`).
    """

    time_s: float
    values: tuple[float, ...]
    clipped: tuple[str, ...]
    faults: tuple[tuple[str, str], ...]
    status: int


@dataclass(frozen=True, slots=True)
class _Bound:
    """One of the stand's channels, tied to the board's."""

    column: str
    settings: ChannelSettings
    channel: Channel
    formula: Callable[[Any, float, Any], Any]
    parameters: SimpleNamespace
    lowest: int
    highest: int
    low_end: float
    span: tuple[float, float] | None

    def value(self, count: Any) -> Any:
        """The quantity for a summed count, float or array."""
        return self.formula(self.mean(count), float(self.channel.full_scale), self.parameters)

    def mean(self, count: Any) -> Any:
        """The mean count per conversion, the board's zero put back where the sensor needs it."""
        zero = 0 if self._zeroed_by_board() else self.channel.zero
        return (count + zero) / self.channel.conversions

    def _zeroed_by_board(self) -> bool:
        return self.channel.zero != 0 and self.settings.key in ("current", "torque", "thrust")


class Sampler:
    """Raises SettingsError when the stand names a channel that the board does not have."""

    def __init__(self, stand: Stand, hello: Hello, channels: Sequence[Channel]) -> None:
        self._stand = stand
        self._tick_hz = float(hello.tick_hz)
        self._channels = tuple(channels)
        by_label = {channel.label: channel for channel in channels}
        missing = [c.board_label for c in stand.channels if c.board_label not in by_label]
        if missing:
            raise SettingsError(
                f"the board has no channel labelled {', '.join(map(repr, missing))}",
                where="stand.toml, channels",
                to_do=f"The board's labels are: {', '.join(map(repr, by_label)) or 'none'}.",
            )
        self._bound = [
            _bind(settings, by_label[settings.board_label]) for settings in stand.channels
        ]
        columns = [bound.column for bound in self._bound]
        self._power = None
        if "current_a" in columns and "voltage_v" in columns:
            self._power = columns.index("current_a"), columns.index("voltage_v")
            columns.insert(max(self._power) + 1, "power_w")
        self._power_at = columns.index("power_w") if self._power else None
        self._speedometer: Speedometer | None = None
        if stand.tachometer is not None:
            columns.append("speed_rpm")
            self._speedometer = Speedometer(stand.tachometer, hello.tick_hz)
        self.columns = tuple(columns)
        self._first_tick: int | None = None

    def sample(self, step: Step, data: Data) -> Sample:
        """One line in physical units. A line with the wrong number of counts gives nan."""
        if self._first_tick is None:
            self._first_tick = step.tick
        values: list[float] = []
        clipped: list[str] = []
        faults: list[tuple[str, str]] = []
        counts = data.counts if len(data.counts) == len(self._channels) else None
        for bound in self._bound:
            if counts is None:
                values.append(math.nan)
                continue
            count = counts[bound.channel.index]
            word = _fault(bound, count)
            if word:
                faults.append((bound.column, word))
                values.append(math.nan)
                continue
            if bound.span is None and not bound.low_end < count < bound.highest:
                clipped.append(bound.column)
            values.append(bound.value(float(count)))
        if self._power is not None and self._power_at is not None:
            current, voltage = self._power
            values.insert(self._power_at, values[current] * values[voltage])
        if self._speedometer is not None:
            speed, good = self._speedometer.speed(step.tick, step.edges, step.edge_tick)
            values.append(speed)
            if not good:
                faults.append(("speed_rpm", "glitch"))
        time_s = (step.tick - self._first_tick) / self._tick_hz
        return Sample(time_s, tuple(values), tuple(clipped), tuple(faults), data.status)

    def columns_of(
        self, fields: Ints, tick: Ints, edges: Ints, edge_tick: Ints
    ) -> dict[str, NDArray[Any]]:
        """Whole arrays in physical units, the next rows of the same run.

        `fields` has shape (rows, 5 + channels) as the lines stood; `tick`, `edges` and
        `edge_tick` are unwrapped, shape (rows,). Gives `time_s`, every column of `columns`
        (float64) and `valid` (bool): False where something in the row is clipped, faulty or
        a rejected tachometer reading.
        """
        if self._first_tick is None and len(tick):
            self._first_tick = int(tick[0])
        result: dict[str, NDArray[Any]] = {
            "time_s": (tick - (self._first_tick or 0)) / self._tick_hz
        }
        valid = np.ones(len(tick), dtype=bool)
        fits = fields.shape[1] == FIXED_DATA_FIELDS + len(self._channels)
        for bound in self._bound:
            if not fits:
                result[bound.column] = np.full(len(tick), np.nan)
                valid[:] = False
                continue
            counts = fields[:, FIXED_DATA_FIELDS + bound.channel.index]
            faulty, clipped = _unusable(bound, counts)
            usable = np.where(faulty, (bound.highest + bound.lowest) // 2, counts)
            result[bound.column] = np.where(faulty, np.nan, bound.value(usable.astype(float)))
            valid &= ~(faulty | clipped)
        if self._power is not None:
            result["power_w"] = result["current_a"] * result["voltage_v"]
        if self._speedometer is not None:
            result["speed_rpm"], good = speeds(self._speedometer, tick, edges, edge_tick)
            valid &= good
        ordered = {name: result[name] for name in ("time_s", *self.columns)}
        return ordered | {"valid": valid}

    def count_limits(self) -> list[Limit]:
        """The stand's trip levels for the board to hold, in summed counts or edges per second.

        Each bound is moved outward to the next whole count, so that the board never trips
        on a reading that the stand allows.
        """
        limits = []
        for bound in self._bound:
            level = self._stand.limits.level(bound.settings.key)
            if level is not None and bound.channel.can_limit:
                limit = _count_limit(bound, level)
                if limit is not None:
                    limits.append(limit)
        tachometer, level = self._stand.tachometer, self._stand.limits.level("speed")
        if tachometer is not None and level is not None and level.trip_over is not None:
            edges_hz = level.trip_over / 60.0 * tachometer.pulses_per_revolution
            limits.append(Limit(EDGES, None, math.ceil(edges_hz), _hold_ms(level)))
        return limits

    def uncertainty(self, column: str, value: float) -> float:
        """The combined standard uncertainty of one reading of `column` at `value`.

        From component tolerances (by the `uncertainties` library, through the sensor's own
        formula) and from the converter's steps (JCGM 100:2008 F.2.2.1: a step's width over
        the square root of 12, the steps of a sum taken together). Power takes current and
        voltage as independent. Raises KeyError for a column without a budget.
        """
        if column == "speed_rpm" and self._stand.tachometer is not None:
            tolerance = self._stand.tachometer.clock_tolerance_pct / 100.0
            return abs(value) * tolerance / math.sqrt(3.0)
        for bound in self._bound:
            if bound.column == column:
                return _uncertainty(bound, value)
        raise KeyError(column)


def _bind(settings: ChannelSettings, channel: Channel) -> _Bound:
    return _Bound(
        column=column_of(settings.key),
        settings=settings,
        channel=channel,
        formula=formula_of(settings.sensor),
        parameters=_board_zero(settings, channel),
        lowest=channel.lowest_count,
        highest=channel.highest_count,
        # The low end of a converter that cannot go below zero is where nothing flows.
        low_end=channel.lowest_count if channel.bipolar else -math.inf,
        span=ratio_span(settings.sensor),
    )


def _board_zero(settings: ChannelSettings, channel: Channel) -> SimpleNamespace:
    """The parameters; where the board has zeroed a channel, its zero stands in for ours."""
    parameters = plain(settings.sensor)
    if channel.zero and settings.key in ("current", "torque", "thrust"):
        for name in ("offset_v", "zero_count", "intercept"):
            if hasattr(parameters, name):
                setattr(parameters, name, 0.0)
    return parameters


def _ratio(bound: _Bound, counts: Any) -> Any:
    position = bound.parameters.position
    return share(bound.mean(counts), float(bound.channel.full_scale), position)


def _fault(bound: _Bound, count: int) -> str:
    if bound.span is None:
        return ""
    ratio = _ratio(bound, count)
    if ratio >= bound.span[1]:
        return "open"
    return "shorted" if ratio <= bound.span[0] else ""


def _unusable(bound: _Bound, counts: Ints) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    nowhere = np.zeros(len(counts), dtype=bool)
    if bound.span is None:
        return nowhere, (counts <= bound.low_end) | (counts >= bound.highest)
    ratio = _ratio(bound, counts)
    return (ratio >= bound.span[1]) | (ratio <= bound.span[0]), nowhere


def _hold_ms(level: Level) -> int:
    return round(1000.0 * level.hold_s)


def _count_limit(bound: _Bound, level: Level) -> Limit | None:
    ends = [
        _count_for(bound, value)
        for value in (level.trip_under, level.trip_over)
        if value is not None
    ]
    if not ends:
        return None
    counts = {
        "under": None if level.trip_under is None else _count_for(bound, level.trip_under),
        "over": None if level.trip_over is None else _count_for(bound, level.trip_over),
    }
    if _falls(bound):
        counts = {"under": counts["over"], "over": counts["under"]}
    low, high = counts["under"], counts["over"]
    return Limit(
        bound.channel.index,
        None if low is None else max(math.floor(low), bound.lowest),
        None if high is None else min(math.ceil(high), bound.highest),
        _hold_ms(level),
    )


def _falls(bound: _Bound) -> bool:
    """Whether the count falls where the quantity rises, as with a thermistor at ground."""
    low, high = _ends(bound)
    return bool(bound.value(low) > bound.value(high))


def _ends(bound: _Bound) -> tuple[float, float]:
    """Counts between which the formula is defined and rises or falls throughout."""
    if bound.span is None:
        return float(bound.lowest), float(bound.highest)
    total = bound.channel.full_scale * bound.channel.conversions
    low, high = (edge * total for edge in bound.span)
    if bound.parameters.position == "high":
        low, high = total - high, total - low
    return low - bound.channel.zero, high - bound.channel.zero


def _count_for(bound: _Bound, value: float) -> float:
    """The summed count, not rounded, at which the formula gives `value`; by bisection."""
    low, high = _ends(bound)
    falls = _falls(bound)
    for _ in range(80):
        middle = 0.5 * (low + high)
        if (bound.value(middle) < value) != falls:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _uncertainty(bound: _Bound, value: float) -> float:
    from uncertainties import correlated_values, ufloat

    count = _count_for(bound, value)
    conversions = bound.channel.conversions
    mean = ufloat(bound.mean(count), 1.0 / math.sqrt(12.0 * conversions))
    parameters = SimpleNamespace(**vars(bound.parameters))
    for name in vars(parameters):
        given = getattr(bound.settings.sensor, name, None)
        u = getattr(given, "u", 0.0)
        if u:
            setattr(parameters, name, ufloat(getattr(parameters, name), u))
    if isinstance(bound.settings.sensor, Line):
        sensor = bound.settings.sensor
        fitted = correlated_values([sensor.intercept, sensor.slope], sensor.covariance)
        parameters.intercept, parameters.slope = fitted
    result = bound.formula(mean, float(bound.channel.full_scale), parameters)
    return float(result.std_dev)
