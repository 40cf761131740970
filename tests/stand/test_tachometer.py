"""Edges to speed, against a rotor that turns at a speed we chose."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.records import Data
from rig.protocol.timeline import Timeline
from rig.stand.model import Tachometer
from rig.stand.tachometer import BELIEVED_AFTER, Speedometer

TICK_HZ = 2_000_000


@dataclass
class Rotor:
    """Edges at whole turns over the pulses, seen by a board at `line_hz`."""

    pulses: int
    line_hz: int
    edges: int = 0
    edge_tick: int = 0
    angle: float = 0.0
    tick: int = 0

    def line(self, rpm: float) -> tuple[int, int, int]:
        ticks = TICK_HZ // self.line_hz
        per_tick = rpm / 60 / TICK_HZ * self.pulses
        before, self.angle = self.angle, self.angle + per_tick * ticks
        if math.floor(self.angle) > math.floor(before):
            self.edge_tick = self.tick + round((math.floor(self.angle) - before) / per_tick)
        self.edges = math.floor(self.angle)
        self.tick += ticks
        return self.tick, self.edges, self.edge_tick


@pytest.mark.parametrize("pulses", [1, 2, 7, 20])
@pytest.mark.parametrize("line_hz", [50, 200, 1000])
@pytest.mark.parametrize("rpm", [300.0, 7000.0, 30_000.0])
def test_a_steady_speed_is_read_within_the_ticks(pulses: int, line_hz: int, rpm: float) -> None:
    rotor, meter = Rotor(pulses, line_hz), Speedometer(Tachometer(pulses), TICK_HZ)
    readings = [meter.speed(*rotor.line(rpm)) for _ in range(2 * line_hz)]
    settled = readings[line_hz:]
    # Both ends of an interval are whole ticks; one line or one turn lies between them.
    interval = TICK_HZ * max(1 / line_hz, 60 / rpm / pulses)
    assert all(good for _, good in settled)
    assert [speed for speed, _ in settled] == pytest.approx(
        [rpm] * line_hz, rel=2 / interval + 1 / TICK_HZ
    )


def test_standstill_is_reported_within_the_stated_time_and_falls_before_it() -> None:
    rotor, meter = Rotor(2, 200), Speedometer(Tachometer(2, standstill_s=0.5), TICK_HZ)
    for _ in range(200):
        meter.speed(*rotor.line(6000.0))
    falling = [meter.speed(*rotor.line(0.0))[0] for _ in range(120)]
    assert falling == sorted(falling, reverse=True)
    # After 0.1 s without an edge, two marks a turn allow no more than 300 rpm.
    assert falling[20] <= 300.0
    assert falling[-20:] == [0.0] * 20
    assert falling.index(0.0) <= 0.5 * 200 + 1


def test_a_speed_comes_back_after_the_tick_counter_wrapped_at_standstill() -> None:
    """2**32 ticks of 2 MHz are 36 minutes: a stand may well rest that long."""
    meter, timeline = Speedometer(Tachometer(2), TICK_HZ), Timeline()
    sequence = 0

    def line(tick: int, edges: int, edge_tick: int) -> float:
        nonlocal sequence
        sequence = (sequence + 1) % 65536
        wrapped = Data(sequence, tick % 2**32, edges % 65536, edge_tick % 2**32, 0, ())
        step = timeline.accept(wrapped)
        assert step is not None
        return meter.speed(step.tick, step.edges, step.edge_tick)[0]

    resting = [line(second * TICK_HZ, 0, 0) for second in range(5000)]
    assert not any(resting)
    start = 5000 * TICK_HZ
    turning = [line(start + k * 10_000, k, start + k * 10_000) for k in range(50)]
    assert turning[-1] == pytest.approx(6000.0)


def test_one_false_edge_is_held_out_and_its_row_is_not_trusted() -> None:
    tachometer = Tachometer(1, fastest_change_rpm_per_s=50_000.0)
    rotor, meter = Rotor(1, 200), Speedometer(tachometer, TICK_HZ)
    for _ in range(100):
        meter.speed(*rotor.line(9000.0))
    extra = false_tick = 0
    readings = []
    for k in range(40):
        tick, edges, edge_tick = rotor.line(9000.0)
        if k == 10:
            extra, false_tick = 1, tick - 500
        newest = max(edge_tick, false_tick)
        readings.append(meter.speed(tick, edges + extra, newest))
    assert all(speed == pytest.approx(9000.0, rel=1e-3) for speed, _ in readings)
    doubted = [k for k, (_, good) in enumerate(readings) if not good]
    assert doubted and doubted[0] == 10 and doubted[-1] <= 13


def test_a_true_overspeed_is_believed_at_the_third_reading() -> None:
    rotor, meter = Rotor(2, 200), Speedometer(Tachometer(2), TICK_HZ)
    for _ in range(100):
        meter.speed(*rotor.line(6000.0))
    readings = [meter.speed(*rotor.line(24_000.0)) for _ in range(10)]
    goods = [good for _, good in readings]
    assert goods[: BELIEVED_AFTER - 1] == [False] * (BELIEVED_AFTER - 1)
    assert all(goods[BELIEVED_AFTER:])
    assert readings[BELIEVED_AFTER][0] > 20_000.0


def test_marks_set_unevenly_by_hand_are_no_glitch() -> None:
    """A mark 3 % of a turn off its place: 10000 rpm reads 9400 and 10600 in turn."""
    meter = Speedometer(Tachometer(2), TICK_HZ)
    turn = TICK_HZ * 60 // 10_000
    edge_ticks = [turn * (k // 2) + (turn * 53 // 100) * (k % 2) for k in range(200)]
    goods = [meter.speed(at + 100, k, at)[1] for k, at in enumerate(edge_ticks)]
    assert all(goods)


rows = st.lists(
    st.tuples(
        st.integers(0, 2_000_000),  # ticks to the next line
        st.one_of(st.just(0), st.integers(0, 6), st.integers(0, 3000)),  # edges in it
        st.integers(0, 400_000),  # ticks since the last edge
    ),
    min_size=1,
    max_size=60,
)


@given(rows, st.integers(1, 20), st.floats(1e3, 1e7), st.integers(0, 60))
def test_arrays_equal_single_lines_wherever_they_are_split(
    rows: list[tuple[int, int, int]], pulses: int, fastest: float, cut: int
) -> None:
    settings = Tachometer(pulses, fastest_change_rpm_per_s=fastest)
    steps = np.array(rows, dtype=np.int64)
    tick, edges = np.cumsum(steps[:, 0]), np.cumsum(steps[:, 1])
    edge_tick = np.empty_like(tick)
    newest = 0
    for k in range(len(rows)):
        if steps[k, 1]:
            newest = int(tick[k] - steps[k, 2])
        edge_tick[k] = newest
    one, many, mixed = (Speedometer(settings, TICK_HZ) for _ in range(3))
    lines = list(zip(tick.tolist(), edges.tolist(), edge_tick.tolist(), strict=True))
    expected = [one.speed(*line) for line in lines]
    rpm, good = many.speeds(tick, edges, edge_tick)
    assert list(zip(rpm.tolist(), good.tolist(), strict=True)) == expected
    got = [mixed.speed(*line) for line in lines[:cut]]
    rpm, good = mixed.speeds(tick[cut:], edges[cut:], edge_tick[cut:])
    assert got + list(zip(rpm.tolist(), good.tolist(), strict=True)) == expected


@pytest.mark.parametrize("start", [10_000, 2**32 - 60_000])
def test_edges_just_after_their_lines_are_read_live_and_in_bulk(start: int) -> None:
    """The board reads its clock, then an edge comes, then it reads the edges: 6000 rpm."""
    tick = start + np.arange(40) * 10_000
    edges, edge_tick = 7 + np.arange(40), tick + 30
    timeline, live = Timeline(), Speedometer(Tachometer(2), TICK_HZ)
    readings = []
    for k in range(40):
        step = timeline.accept(
            Data(k, int(tick[k]) % 2**32, int(edges[k]), int(edge_tick[k]) % 2**32, 0, ())
        )
        assert step is not None
        readings.append(live.speed(step.tick, step.edges, step.edge_tick))
    rpm, good = Speedometer(Tachometer(2), TICK_HZ).speeds(tick, edges, edge_tick)
    assert readings == list(zip(rpm.tolist(), good.tolist(), strict=True))
    assert good.all()
    assert rpm[1:] == pytest.approx(6000.0)


def test_a_board_that_has_seen_no_edge_has_none_at_tick_0() -> None:
    meter = Speedometer(Tachometer(2), TICK_HZ)
    assert meter.speed(9_000, 0, 0) == (0.0, True)
    assert meter.speed(19_000, 1, 18_000) == (0.0, True)
    assert meter.speed(219_000, 2, 218_000)[0] == pytest.approx(300.0)
