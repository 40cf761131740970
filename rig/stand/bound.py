"""One channel of the stand tied to one channel of the board: the arithmetic of counts.

Where the board has zeroed a channel of a quantity that has a natural zero (current, torque,
thrust), the board's zero stands in for the sensor's own offset. Everywhere else the zero is
added back, since a temperature or a supply voltage has no zero to take.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from rig.protocol.commands import Limit
from rig.protocol.records import Channel
from rig.stand.model import NOTHING, ChannelSettings, Level, Line, Resistive, Sensor
from rig.stand.quantities import column_of
from rig.stand.sensors import formula_of, plain_parameters, ratio_span

HAVE_A_ZERO = ("current", "torque", "thrust")

REST_SHARE = 0.05
"""A lower end of scale that stands for less than this share of the upper end is where an
idle reading lies, such as 0 A or 0 V, and not a clipped one."""


class BoundChannel:
    """Turns the summed counts of one board channel into one quantity.

    Counts between `inside_lowest` and `inside_highest`, both exclusive, are good readings.
    Beyond them a resistive sensor is open or shorted, and any other reading is clipped.
    """

    def __init__(self, settings: ChannelSettings, channel: Channel) -> None:
        self.settings = settings
        self.channel = channel
        self.column = column_of(settings.key)
        self.index = channel.index
        self.zeroed = channel.zero != 0 and settings.key in HAVE_A_ZERO
        self.sensor = _without_offset(settings.sensor) if self.zeroed else settings.sensor
        self.is_resistive = isinstance(self.sensor, Resistive)
        self.feels_reference = _feels_reference(self.sensor, settings.key)
        self._zero = 0 if self.zeroed else channel.zero
        self._conversions = channel.conversions
        self._full_scale = float(channel.full_scale)
        self._formula = formula_of(self.sensor)
        self._parameters = plain_parameters(self.sensor)
        self.inside_lowest, self.inside_highest = self._inside()
        self._falls = self.value(self.inside_lowest + 1) > self.value(self.inside_highest - 1)

    def mean_count(self, count: Any) -> Any:
        """The mean count per conversion, which the formulas take."""
        return (count + self._zero) / self._conversions

    def value(self, count: Any, ratio: Any = 1.0) -> Any:
        """The quantity for a summed count, number or array.

        `ratio` is the converter's reference over that at calibration, for what feels it.
        """
        mean = (count + self._zero) / self._conversions * ratio
        return self._formula(mean, self._full_scale, self._parameters)

    def quantity(self, mean_count: Any, parameters: Any) -> Any:
        """The quantity for a mean count, with parameters of the caller's."""
        return self._formula(mean_count, self._full_scale, parameters)

    def fault(self, count: int) -> str:
        """What ails a resistive sensor whose count lies beyond the inside."""
        at_top = count >= self.inside_highest
        return "open" if at_top == (self._parameters.position == "low") else "shorted"

    def count_for(self, value: float, ratio: float = 1.0) -> float:
        """The summed count, not rounded, at which the quantity is `value`; or the end of the
        inside nearest to it. By halving: formulas rise or fall throughout.
        """
        low, high = float(self.inside_lowest + 1), float(self.inside_highest - 1)
        for _ in range(80):
            middle = 0.5 * (low + high)
            if (self.value(middle, ratio) < value) != self._falls:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def limit(self, level: Level, ratio: float = 1.0) -> Limit | None:
        """The trip levels as counts for the board to hold; None where it has none to hold.

        A bound is moved outward to the next whole count, so that the board never cuts for a
        reading that the stand allows, but not beyond the inside: a clipped reading counts as
        over the limit.
        """
        if not self.channel.can_limit or (level.trip_over is None and level.trip_under is None):
            return None
        low, high = level.trip_under, level.trip_over
        if self._falls:
            low, high = high, low
        return Limit(
            self.index,
            None if low is None else math.floor(self.count_for(low, ratio)),
            None if high is None else math.ceil(self.count_for(high, ratio)),
            hold_ms(level),
        )

    def _inside(self) -> tuple[int, int]:
        channel = self.channel
        span = ratio_span(self.sensor)
        if span is not None:
            low, high = span if self._parameters.position == "low" else (1 - span[1], 1 - span[0])
            total = channel.full_scale * channel.conversions
            # An end of the converter's scale is no reading either, however wide the span.
            return (
                max(channel.lowest_count, math.floor(low * total) - channel.zero),
                min(channel.highest_count, math.ceil(high * total) - channel.zero),
            )
        # With half of its conversions at the end, a sum is already wrong.
        lowest = channel.lowest_count + channel.conversions // 2
        highest = channel.highest_count - channel.conversions // 2
        at_lowest, at_highest = self.value(channel.lowest_count), self.value(channel.highest_count)
        if not channel.bipolar and abs(at_lowest) <= REST_SHARE * abs(at_highest):
            lowest = channel.lowest_count - 1
        return lowest, highest


def hold_ms(level: Level) -> int:
    """How long a board must see a limit passed, as its command takes it."""
    return round(1000.0 * level.hold_s)


def _feels_reference(sensor: Sensor, key: str) -> bool:
    """Whether a reading changes with the converter's reference.

    A resistive sensor or a bridge is fed by the reference, which cancels; a digital sensor has
    none. A fitted line of current or voltage is of volts; any other is taken for a bridge.
    """
    if isinstance(sensor, Line):
        return key in ("current", "voltage")
    return sensor.feels_reference


def _without_offset(sensor: Sensor) -> Sensor:
    if isinstance(sensor, Line):
        slope_only = ((0.0, 0.0), (0.0, sensor.covariance[1][1]))
        return replace(sensor, intercept=0.0, covariance=slope_only)
    nothing: dict[str, Any] = {sensor.zeroed: NOTHING} if sensor.zeroed else {}
    return replace(sensor, **nothing)
