"""What no single key of a stand.toml shows: settings that do not go together.

Pure: a stand read without a mistake in, mistakes out.
"""

from __future__ import annotations

from collections.abc import Iterator

from rig.stand.mistakes import Mistake, shown
from rig.stand.model import SENSORS, ChannelSettings, Limits, Line, LoadCell

_NO_TEMPERATURES = ("current", "voltage", "torque", "thrust")

_ROUNDING = 1e-6
"""A covariance written with few digits may miss being one by so much of its size."""


def channel_mistakes(channels: list[ChannelSettings]) -> Iterator[Mistake]:
    """Sensors that cannot measure their quantity, and board channels used twice."""
    users: dict[str, str] = {}
    for channel in channels:
        where = f"channels.{channel.key}"
        sensor = channel.sensor
        quantity = channel.key if channel.key in _NO_TEMPERATURES else "temperature"
        if quantity not in sensor.measures:
            kinds = (name for name, kind in SENSORS.items() if quantity in kind.measures)
            yield Mistake(f"{where}.sensor", shown(sensor.kind), f"one of {', '.join(kinds)}")
        if isinstance(sensor, LoadCell):
            if sensor.per_count.value == 0:
                yield Mistake(f"{where}.per_count", "0", "anything but 0")
            if sensor.arm_m is not None and channel.key != "torque":
                yield Mistake(f"{where}.arm_m", shown(sensor.arm_m.value), "only with torque")
        if isinstance(sensor, Line):
            yield from _line_mistakes(where, sensor)
        other = users.setdefault(channel.board_label, channel.key)
        if other != channel.key:
            found = f"{shown(channel.board_label)}, which channels.{other} has too"
            yield Mistake(f"{where}.board_label", found, "a channel of its own")


def _line_mistakes(where: str, line: Line) -> Iterator[Mistake]:
    if line.slope == 0:
        yield Mistake(f"{where}.slope", "0", "anything but 0")
    (a, upper), (lower, b) = line.covariance
    size = abs(a * b)
    if upper != lower or a < 0 or b < 0 or upper * lower > size * (1 + _ROUNDING):
        allowed = "[[var intercept, cov], [cov, var slope]] with cov^2 up to the variances' product"
        yield Mistake(f"{where}.covariance", shown(line.covariance), allowed)


def limit_mistakes(limits: Limits, keys: set[str]) -> Iterator[Mistake]:
    """Levels in the wrong order, and limits on what is not measured.

    `keys` are the quantities that the stand measures, derived ones included.
    """
    for key, level in limits.levels:
        where = f"limits.{key}"
        yield from _ordered(f"{where}.warn_over", level.warn_over, level.trip_over, 1)
        yield from _ordered(f"{where}.warn_under", level.warn_under, level.trip_under, -1)
        yield from _ordered(f"{where}.trip_under", level.trip_under, level.trip_over, 1)
    if limits.overcurrent is not None and "current" not in keys:
        yield Mistake("limits.overcurrent", "no current channel", "only with channels.current")
    if limits.cell_warn_v is not None or limits.cell_trip_v is not None:
        if limits.cells is None:
            yield Mistake("limits.cells", "nothing", "the number of cells in series")
        if "voltage" not in keys:
            yield Mistake("limits.cells", "no voltage channel", "only with channels.voltage")
    yield from _ordered("limits.cell_warn_v", limits.cell_warn_v, limits.cell_trip_v, -1)


def _ordered(where: str, level: float | None, bound: float | None, sign: int) -> Iterator[Mistake]:
    """`level` must not lie beyond `bound`, on the side that `sign` says."""
    if level is None or bound is None or sign * (level - bound) <= 0:
        return
    words = f"up to {bound:g}" if sign > 0 else f"from {bound:g} on"
    yield Mistake(where, f"{level:g}", words)
