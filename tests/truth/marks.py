"""Marks out of place: the mean speed, the lines rejected, and when an over-speed limit acts.

The rotor's angle is a formula, so when each mark passes is known to far below a tick, and the
board's lines are made from that alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.protocol.records import Data, Hello
from rig.protocol.timeline import Step
from rig.stand.limits import Guard
from rig.stand.model import Level, Limits, Stand, Tachometer
from rig.stand.sampler import Sampler
from rig.stand.turns import mean_speed_rpm
from tests.truth import Table

TICK_HZ = 1_000_000
MEAN_WITHIN_PCT = 0.02
LINES_LATE = 2.0
HOLD_S = 4.0
RISES_S = 0.25
"""The time constant of the spin-up."""
LIMIT = 1.03
"""The over-speed limit, in shares of the speed held."""

Floats = NDArray[np.float64]


def even(marks: int) -> list[float]:
    """Places of evenly spaced marks, in turns."""
    return [k / marks for k in range(marks)]


def astray(marks: int, which: int, degrees: float) -> list[float]:
    """`even`, but for one mark that lies so many degrees later."""
    places = even(marks)
    places[which] += degrees / 360.0
    return places


MARKS = {
    "2 marks, 5 deg": astray(2, 1, 5.0),
    "2 marks, 9 deg": astray(2, 1, 9.0),
    "2 marks, 16 deg": astray(2, 1, 16.0),
    "2 marks, 18 deg": astray(2, 1, 18.0),
    "7 marks, 4.6 deg": astray(7, 3, 4.6),
}
RATES_HZ = (20, 50, 100, 200, 300, 500, 1000)
SPEEDS_RPM = (1500.0, 2700.0, 6000.0, 9100.0, 15_000.0)


@dataclass(frozen=True)
class Way:
    """How the rotor turns on once it has spun up: `turned(s)` turns in s seconds, at `rate(s)`."""

    turned: Callable[[Floats], Floats]
    rate: Callable[[Floats], Floats]
    passed_s: float
    """When it passes the limit, in seconds after the hold."""


def step_up(hz: float, share: float) -> Way:
    """At once to `share` of the speed."""
    return Way(lambda s: share * hz * s, lambda s: np.full_like(s, share * hz), 0.0)


def ramp_up(hz: float, share_per_s: float) -> Way:
    """Faster and faster, by so much of the speed each second."""
    return Way(
        lambda s: hz * (s + 0.5 * share_per_s * s * s),
        lambda s: hz * (1.0 + share_per_s * s),
        (LIMIT - 1.0) / share_per_s,
    )


WAYS = {
    "step of 4 %": lambda hz: step_up(hz, 1.04),
    "step of 14 %": lambda hz: step_up(hz, 1.14),
    "5 % a second": lambda hz: ramp_up(hz, 0.05),
    "100 % a second": lambda hz: ramp_up(hz, 1.0),
}


def lines_of(
    places: list[float], line_hz: int, hz: float, way: Way, hold_s: float, after_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Tick, edges and edge tick of each line: a spin-up from rest, a hold, and then `way`."""

    def turned(s: Floats) -> Floats:
        up = hz * (s - RISES_S * -np.expm1(-np.minimum(s, hold_s) / RISES_S))
        held = hz * (hold_s + RISES_S * math.expm1(-hold_s / RISES_S))
        return np.where(s < hold_s, up, held + way.turned(s - hold_s))

    def rate(s: Floats) -> Floats:
        return np.where(s < hold_s, hz * -np.expm1(-s / RISES_S), way.rate(s - hold_s))

    grid = np.linspace(0.0, hold_s + after_s, 40_001)
    turns = turned(grid)
    # The rotor starts a little before its first mark.
    marks = (np.arange(math.ceil(turns[-1]))[:, None] + 0.01 + np.array(places)).ravel()
    marks = np.sort(marks[marks < turns[-1]])
    passed_s = np.interp(marks, turns, grid)
    for _ in range(4):
        passed_s -= (turned(passed_s) - marks) / np.maximum(rate(passed_s), 1e-3 * hz)
    at = np.round(passed_s * TICK_HZ).astype(np.int64)
    tick = np.arange(1, int((hold_s + after_s) * line_hz)) * (TICK_HZ // line_hz)
    edges = np.searchsorted(at, tick, side="right")
    return tick, edges, np.where(edges > 0, at[np.maximum(edges - 1, 0)], 0)


def sampler_and_guard(marks: int, line_hz: int, trip_rpm: float) -> tuple[Sampler, Guard]:
    """A stand that has nothing but a tachometer and a limit."""
    limits = Limits(levels=(("speed", Level(trip_over=trip_rpm)),))
    stand = Stand("bench", tachometer=Tachometer(marks), limits=limits)
    hello = Hello(1, "bench", "1", 7, TICK_HZ, line_hz, frozenset("S"), 0)
    return Sampler(stand, hello, []), Guard(stand, ("speed_rpm",))


def first_trip_s(
    lines: tuple[NDArray[np.int64], ...], sampler: Sampler, guard: Guard
) -> tuple[float, int]:
    """When the limit acts, as a session judges line by line, and how many lines were rejected."""
    rejected = 0
    for row in zip(*(column.tolist() for column in lines), strict=True):
        sample = sampler.sample(Step(0, *row, 0), Data(0, *row, 0, ()))
        rejected += bool(sample.faults)
        guard.check(row[0] / TICK_HZ, sample)
        if guard.tripped is not None:
            return row[0] / TICK_HZ, rejected
    return math.inf, rejected


@dataclass
class Cell:
    """The worst that came of one arrangement of marks, one rate of lines and one speed."""

    error_pct: float = 0.0
    rejected: int = 0
    lines: int = 0
    late_lines: float = -math.inf
    """Lines by which the limit acted later than one turn after the speed was passed."""
    early: int = 0
    """How often it acted before."""


def measure(places: list[float], line_hz: int, rpm: float, phases: int) -> Cell:
    """All ways past the limit, each with several angles of the rotor at that moment."""
    cell, hz, marks = Cell(), rpm / 60.0, len(places)
    for make in WAYS.values():
        way = make(hz)
        for phase in range(phases):
            hold_s = HOLD_S + phase / phases / hz
            after_s = way.passed_s + 2.0 / hz + 4.0 / line_hz
            lines = lines_of(places, line_hz, hz, way, hold_s, after_s)
            tick, edges, edge_tick = lines
            held = (tick > 0.5 * HOLD_S * TICK_HZ) & (tick < HOLD_S * TICK_HZ)
            valid = np.ones(int(held.sum()), dtype=np.bool_)
            mean = mean_speed_rpm(edges[held], edge_tick[held], valid, marks, TICK_HZ)
            cell.error_pct = max(cell.error_pct, abs(100.0 * (mean / rpm - 1.0)))
            sampler, guard = sampler_and_guard(marks, line_hz, LIMIT * rpm)
            tripped_s, rejected = first_trip_s(lines, sampler, guard)
            late_s = tripped_s - hold_s - way.passed_s
            cell.lines += len(tick)
            cell.rejected += rejected
            cell.early += tripped_s < hold_s
            cell.late_lines = max(cell.late_lines, (late_s - 1.0 / (LIMIT * hz)) * line_hz)
    return cell


def table(small: bool = False) -> Table:
    """Marks x rates x speeds."""
    result = Table(
        "uneven marks (limit: lines by which it acts later than one turn after the speed)",
        ("marks", "lines/s", "rpm", "mean off", "rejected", "limit"),
    )
    rates = (20, 300, 1000) if small else RATES_HZ
    speeds = (1500.0, 15_000.0) if small else SPEEDS_RPM
    for name, places in MARKS.items():
        for line_hz in rates:
            for rpm in speeds:
                cell = measure(places, line_hz, rpm, 1 if small else 4)
                result.rows.append((name, str(line_hz), f"{rpm:.0f}", f"{cell.error_pct:.4f} %",
                                    f"{cell.rejected / cell.lines:.2%}",
                                    f"{cell.late_lines:.2f}"))  # fmt: skip
                where = f"{name}, {line_hz} lines/s, {rpm:.0f} rpm"
                if not cell.error_pct <= MEAN_WITHIN_PCT:
                    result.broken.append(f"{where}: the mean is off by {cell.error_pct:.3f} %")
                if cell.rejected:
                    result.broken.append(f"{where}: {cell.rejected} lines were rejected")
                if not cell.late_lines <= LINES_LATE:
                    result.broken.append(f"{where}: the limit acts {cell.late_lines:.1f} lines "
                                         "later than one turn")  # fmt: skip
                if cell.early:
                    result.broken.append(f"{where}: the limit acted {cell.early} times too early")
    return result
