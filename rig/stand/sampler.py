"""Counts to quantities: the stand's settings bound to the channels of one board.

`Sampler.sample` takes one line and is fast with plain floats; `Sampler.columns_of` takes
whole runs as arrays. Both use the same sensor formulas and the same tachometer rules, and a
property test holds them equal.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.errors import SettingsError
from rig.protocol.commands import EDGES, Limit
from rig.protocol.records import FIXED_DATA_FIELDS, Channel, Data, Hello
from rig.protocol.timeline import Step
from rig.stand.bound import HAVE_A_ZERO, BoundChannel, hold_ms
from rig.stand.model import Level, Limits, Stand
from rig.stand.reference import ReferenceMeter, ratio_of
from rig.stand.tachometer import Speedometer

if TYPE_CHECKING:
    from rig.stand.uncertainty import Budget, Components

REFERENCE_COUNT = "reference_count"
"""The key of a run's mean count of the reference channel, of one conversion."""

NO_REFERENCE = "no reference"
"""What ails a reading whose reference cannot be told: it is computed with the last one known."""

GLITCH = ("speed_rpm", "glitch")
"""The fault of a line whose speed is that of the line before."""

LIVE_COUNTS = 1024
"""Counts whose value a live run remembers, per channel: most lines bring one met before."""

Ints = NDArray[np.int64]


class Sample(NamedTuple):
    """One line in physical units. `values` go with `Sampler.columns`; nan is not known.

    `clipped` names columns at the end of their converter's scale, `faults` pairs of column
    and word (`open`, `shorted`, `glitch`, `no reference`).
    """

    time_s: float
    values: tuple[float, ...]
    clipped: tuple[str, ...]
    faults: tuple[tuple[str, str], ...]
    status: int


class Sampler:
    """Raises SettingsError when the stand names a channel that the board does not have.

    Samplers with the same `components` share as variables what they have in common.
    """

    def __init__(
        self,
        stand: Stand,
        hello: Hello,
        channels: Sequence[Channel],
        components: Components | None = None,
    ) -> None:
        self._stand = stand
        self._components = components
        self._hello = hello
        self._tick_hz = float(hello.tick_hz)
        self._channels = tuple(channels)
        by_label = {channel.label: channel for channel in channels}
        labels = [c.board_label for c in stand.channels]
        labels += [stand.reference.board_label] if stand.reference else []
        missing = [label for label in labels if label not in by_label]
        if missing:
            raise SettingsError(
                f"the board has no channel labelled {', '.join(map(repr, missing))}",
                where="stand.toml, channels",
                to_do=f"The board's labels are: {', '.join(map(repr, by_label)) or 'none'}. Set "
                "`board_label` in stand.toml to one of them.",
            )
        self._bound = [
            BoundChannel(settings, by_label[settings.board_label]) for settings in stand.channels
        ]
        self._reference: ReferenceMeter | None = None
        if stand.reference is not None:
            channel = by_label[stand.reference.board_label]
            self._reference = ReferenceMeter(stand.reference, channel, hello.line_hz)
        self._live = [self._live_part(bound) for bound in self._bound]
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
        self._budget: Budget | None = None

    def _live_part(
        self, bound: BoundChannel
    ) -> tuple[int, int, int, Callable[[int], float], BoundChannel]:
        meter = self._reference
        value: Callable[[int], float] = lru_cache(LIVE_COUNTS)(bound.value)
        if meter is not None and bound.feels_reference:
            # Another ratio with every line: nothing to remember.
            value = lambda count: bound.value(count, meter.ratio)  # noqa: E731
        return bound.index, bound.inside_lowest, bound.inside_highest, value, bound

    @property
    def reference_ratio(self) -> float:
        """The converter's reference now over that at calibration; 1 where it is not measured."""
        return self._reference.ratio if self._reference is not None else 1.0

    @property
    def zeroable(self) -> list[BoundChannel]:
        """The channels that the board can zero, of quantities that have a natural zero."""
        return [b for b in self._bound if b.channel.can_zero and b.settings.key in HAVE_A_ZERO]

    def take_zero(self, channel: Channel) -> None:
        """The board takes another zero off this channel from the next line on."""
        known = list(self._channels)
        known[channel.index] = channel
        self._channels = tuple(known)
        for place, bound in enumerate(self._bound):
            if bound.index == channel.index:
                self._bound[place] = BoundChannel(bound.settings, channel)
                self._live[place] = self._live_part(self._bound[place])
        self._budget = None

    @property
    def bound(self) -> tuple[BoundChannel, ...]:
        """The inputs that the stand names."""
        return tuple(self._bound)

    def sample(self, step: Step, data: Data) -> Sample:
        """One line in physical units. A line with the wrong number of counts gives nan."""
        if self._first_tick is None:
            self._first_tick = step.tick
        values: list[float] = []
        clipped: list[str] = []
        faults: list[tuple[str, str]] = []
        counts = data.counts if len(data.counts) == len(self._channels) else None
        meter = self._reference
        if meter is not None and counts is not None and not meter.take(counts[meter.index]):
            faults += [(b.column, NO_REFERENCE) for b in self._bound if b.feels_reference]
        for index, lowest, highest, value, bound in self._live:
            if counts is None:
                values.append(math.nan)
                continue
            count = counts[index]
            if not lowest < count < highest:
                if bound.is_resistive:
                    faults.append((bound.column, bound.fault(count)))
                    values.append(math.nan)
                    continue
                clipped.append(bound.column)
            values.append(value(count))
        if self._power is not None and self._power_at is not None:
            current, voltage = self._power
            values.insert(self._power_at, values[current] * values[voltage])
        if self._speedometer is not None:
            speed, good = self._speedometer.speed(step.tick, step.edges, step.edge_tick)
            values.append(speed)
            if not good:
                faults.append(GLITCH)
        time_s = (step.tick - self._first_tick) / self._tick_hz
        return Sample(time_s, tuple(values), tuple(clipped), tuple(faults), data.status)

    @property
    def mark_unevenness(self) -> float:
        """As `Speedometer.mark_unevenness`; 0 without a tachometer."""
        return 0.0 if self._speedometer is None else self._speedometer.mark_unevenness

    def columns_of(
        self, fields: Ints, tick: Ints, edges: Ints, edge_tick: Ints
    ) -> dict[str, NDArray[Any]]:
        """Whole arrays in physical units, the next rows of the same run.

        `fields` has shape (rows, 5 + channels) as the lines stood; `tick`, `edges` and
        `edge_tick` are unwrapped, shape (rows,). Gives `time_s`, every column of `columns`
        (float64) and `valid` (bool): False where something in the row is clipped, faulty or
        a rejected tachometer reading, or where the reference's count is unusable.
        """
        if self._first_tick is None and len(tick):
            self._first_tick = int(tick[0])
        result: dict[str, NDArray[Any]] = {
            "time_s": (tick - (self._first_tick or 0)) / self._tick_hz
        }
        valid = np.ones(len(tick), dtype=bool)
        fits = fields.shape[1] == FIXED_DATA_FIELDS + len(self._channels)
        ratio: Any = 1.0
        if self._reference is not None and fits:
            ratio, good = self._reference.take_all(
                fields[:, FIXED_DATA_FIELDS + self._reference.index]
            )
            valid &= good
        for bound in self._bound:
            if not fits:
                result[bound.column] = np.full(len(tick), np.nan)
                valid[:] = False
                continue
            counts = fields[:, FIXED_DATA_FIELDS + bound.index]
            inside = (bound.inside_lowest < counts) & (counts < bound.inside_highest)
            valid &= inside
            if bound.is_resistive:
                column = np.full(len(counts), np.nan)
                column[inside] = bound.value(counts[inside])
            else:
                column = bound.value(counts, ratio if bound.feels_reference else 1.0)
            result[bound.column] = column
        if self._power is not None:
            result["power_w"] = result["current_a"] * result["voltage_v"]
        if self._speedometer is not None:
            result["speed_rpm"], good = self._speedometer.speeds(tick, edges, edge_tick)
            valid &= good
        ordered = {name: result[name] for name in ("time_s", *self.columns)}
        return ordered | {"valid": valid}

    def count_limits(self) -> list[Limit]:
        """The stand's trip levels for the board to hold, in summed counts or edges per second.

        Each bound is moved outward to the next whole count, so that the board never trips
        on a reading that the stand allows. Where the stand has no level, the limit is taken
        away: the board may still hold one of an earlier run. The board compares counts, so they
        are those of the reference as it is now: where it moves later, the board's limits move too.
        """
        limits = self._stand.limits
        found = []
        for bound in self._bound:
            level = limits.level(bound.settings.key) or Level()
            if bound.settings.key == "voltage":
                level = _with_cells(level, limits)
            ratio = self.reference_ratio if bound.feels_reference else 1.0
            found.append(bound.limit(level, ratio))
        tachometer, speed = self._stand.tachometer, limits.level("speed")
        if tachometer is not None and speed is not None and speed.trip_over is not None:
            edges_hz = speed.trip_over / 60.0 * tachometer.pulses_per_revolution
            found.append(Limit(EDGES, None, math.ceil(edges_hz), hold_ms(speed)))
        held = {limit.where: limit for limit in found if limit is not None}
        places: list[int | str] = [c.index for c in self._channels if c.can_limit]
        if tachometer is not None:
            places.append(EDGES)
        return [held.get(place, Limit(place, None, None, 0)) for place in places]

    def limit_over(self, column: str, value: float) -> Limit | None:
        """A limit for the board to hold, without a hold: cut when `column` is above `value`.

        None where the board cannot hold one there.
        """
        if column == "speed_rpm" and self._stand.tachometer is not None:
            edges_hz = value / 60.0 * self._stand.tachometer.pulses_per_revolution
            return Limit(EDGES, None, math.ceil(edges_hz), 0) if self._hello.can_limit else None
        for bound in self._bound:
            if bound.column == column:
                return bound.limit(Level(trip_over=value))
        return None

    def step(self, column: str, value: float) -> float:
        """What one step of the converter is worth in `column` at `value`; nan if not known."""
        for bound in self._bound:
            if bound.column == column:
                count = round(bound.count_for(value))
                return abs(
                    float(bound.value(count + bound.channel.conversions) - bound.value(count))
                )
        return math.nan

    def measured(self, values: Mapping[str, float], *, single: bool = True) -> dict[str, Any]:
        """Readings by column, each with its uncertainty, as `UFloat`s of `uncertainties`.

        All that one Sampler gives share the stand's components as variables: a gain error
        cancels in a ratio of two readings. The drift of the reference is a variable of each
        call with other values, that is, of each run. Where the stand measures its reference,
        `reference_count` among the values says where it was. Power is the product of the voltage
        and current given with it. Columns without a budget are left out. Without `single` the
        values are means of many lines, whose steps are in their scatter.
        """
        from rig.stand.uncertainty import Budget, run_of

        if self._budget is None:
            self._budget = Budget(
                self._components, self._hello.board, self._stand.converter, self._stand.reference
            )
        run = run_of(values)
        ratio = ratio_of(self._stand.reference, values.get(REFERENCE_COUNT))
        result = {
            bound.column: self._budget.reading(
                bound, values[bound.column], run, single=single, ratio=ratio
            )
            for bound in self._bound
            if bound.column in values
        }
        if "speed_rpm" in values and self._stand.tachometer is not None:
            result["speed_rpm"] = self._budget.speed(
                self._stand.tachometer,
                self._hello.tick_hz,
                self._hello.line_hz,
                values["speed_rpm"],
                single=single,
            )
        if "current_a" in result and "voltage_v" in result:
            result["power_w"] = result["current_a"] * result["voltage_v"]
        return result

    def uncertainty(self, column: str, value: float, voltage_v: float | None = None) -> float:
        """The combined standard uncertainty of one reading of `column` at `value`.

        From component tolerances (by the `uncertainties` library, through the sensor's own
        formula) and from the converter's steps. A power needs the `voltage_v` it was measured
        at. Raises KeyError for a column without a budget.
        """
        values = {column: value}
        if column == "power_w" and voltage_v is not None:
            values |= {"voltage_v": voltage_v, "current_a": value / voltage_v}
        return float(self.measured(values)[column].std_dev)


def _with_cells(level: Level, limits: Limits) -> Level:
    """The voltage's limits with the cells' added, whichever is the higher."""
    if limits.cells is None or limits.cell_trip_v is None:
        return level
    under = limits.cells * limits.cell_trip_v
    if level.trip_under is not None and level.trip_under >= under:
        return level
    return replace(level, trip_under=under, hold_s=max(level.hold_s, limits.cell_hold_s))
