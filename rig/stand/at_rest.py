"""The stand before it is armed: the newest lines, and what each input says in them.

Pure. `rig.stand.resting` judges what is collected here.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from rig.protocol.records import Data, Hello
from rig.protocol.timeline import Step
from rig.stand.bound import BoundChannel
from rig.stand.model import Digital, Stand
from rig.stand.sampler import Sample, Sampler
from rig.stand.tolerance import standard_uncertainty

SETTLE_S = 0.5
"""So much of the stand at rest is looked at."""

ENOUGH_LINES = 20
"""Fewer lines say nothing about noise; a slow board is heard for longer, up to `AT_MOST_S`."""

AT_MOST_S = 1.5


class RestLine(NamedTuple):
    """One line, and when the host had it."""

    host_s: float
    step: Step
    counts: tuple[int, ...]
    sample: Sample


class RestWindow:
    """The newest lines: half a second of them, or `ENOUGH_LINES` of the last `AT_MOST_S`."""

    def __init__(self) -> None:
        self.lines: deque[RestLine] = deque()

    def add(self, host_s: float, step: Step, data: Data, sample: Sample) -> None:
        """Take in one line."""
        lines = self.lines
        lines.append(RestLine(host_s, step, data.counts, sample))
        while host_s - lines[0].host_s > (SETTLE_S if len(lines) > ENOUGH_LINES else AT_MOST_S):
            lines.popleft()

    def is_enough(self, waited_s: float) -> bool:
        """Whether what is there can be judged, `waited_s` after the board was identified."""
        if waited_s < SETTLE_S or not self.lines:
            return False
        return len(self.lines) >= ENOUGH_LINES or waited_s >= AT_MOST_S


@dataclass(frozen=True, slots=True)
class Input:
    """One input at rest. `reading` and `noise` (standard deviation of a line) are in its unit,
    nan without a reading; `lowest` to `highest` can be read. `u` is the standard uncertainty of
    the reading, `noise_share` and `place` are shares of the converter's scale."""

    column: str
    reading: float
    u: float
    noise: float
    noise_share: float
    lowest: float
    highest: float
    place: float
    missing: int
    """Lines without a reading: a sensor that is open or shorted."""
    clipped: bool
    """In most lines."""
    at_lowest: bool
    """In all lines, exactly."""
    has_noise: bool
    """Whether noise is expected: not of a digital sensor."""


@dataclass(frozen=True)
class AtRest:
    """All that is judged. `silence_s` is how old the newest line is; `no_throttle`: the board
    drives the throttle, and nobody will say how far."""

    stand: Stand
    hello: Hello
    sampler: Sampler
    lines: Sequence[RestLine]
    silence_s: float = 0.0
    no_throttle: bool = False
    inputs: dict[str, Input] = field(init=False)

    def __post_init__(self) -> None:
        found = {
            bound.column: _input(bound, self.stand, self.sampler.columns, self.lines)
            for bound in self.sampler.bound
        }
        object.__setattr__(self, "inputs", found)

    @property
    def newest(self) -> Sample:
        """The newest line in physical units."""
        return self.lines[-1].sample

    @property
    def span_s(self) -> float:
        """From the first line to the last, by the board's clock."""
        return (self.lines[-1].step.tick - self.lines[0].step.tick) / self.hello.tick_hz

    @property
    def edges(self) -> int:
        """The tachometer's edges in these lines."""
        return self.lines[-1].step.edges - self.lines[0].step.edges

    @property
    def driven(self) -> bool:
        """Whether the motor turns already, on a board that cannot cut it."""
        return self.edges > 0 and not self.hello.can_stop


def _input(
    bound: BoundChannel, stand: Stand, columns: Sequence[str], lines: Sequence[RestLine]
) -> Input:
    channel, index = bound.channel, columns.index(bound.column)
    fits = [line for line in lines if len(line.counts) > bound.index]
    counts = np.array([line.counts[bound.index] for line in fits], dtype=float)
    values = np.array([line.sample.values[index] for line in fits])
    read = np.isfinite(values)
    values = values[read]
    scale = float(channel.highest_count - channel.lowest_count) or 1.0
    known = len(values) > 0
    mean = float(counts[read].mean() if known else counts.mean()) if len(counts) else math.nan
    ends = bound.value(bound.inside_lowest + 1), bound.value(bound.inside_highest - 1)
    clipped = sum(bound.column in line.sample.clipped for line in fits)
    return Input(
        column=bound.column,
        reading=float(values.mean()) if known else math.nan,
        u=standard_uncertainty(bound, mean, stand.converter) if known else math.nan,
        noise=float(values.std()) if known else math.nan,
        noise_share=float(counts[read].std()) / scale if known else math.nan,
        lowest=float(min(ends)),
        highest=float(max(ends)),
        place=(mean - channel.lowest_count) / scale,
        missing=len(lines) - len(values),
        clipped=2 * clipped > len(fits),
        at_lowest=bool(len(counts) and (counts == channel.lowest_count).all()),
        has_noise=not isinstance(bound.sensor, Digital),
    )
