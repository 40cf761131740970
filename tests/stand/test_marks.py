"""Marks that are missed or seen twice, and rotors that stop: what is shown, and as what.

Edges come at ticks that we choose, so what the speed ought to be is known at every line.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from rig.recorder.proof import PROVE_WITHIN_S, SPEED_LEFT, Proof
from rig.stand.model import Tachometer
from rig.stand.tachometer import BELIEVED_AFTER, HELD_AT_MOST_S, OVERDUE_EDGES, Speedometer

TICK_HZ = 2_000_000
LINES_HZ = (50, 100, 200, 500)

Lines = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]


def lines(edges_s: NDArray[np.float64], line_hz: int, until_s: float) -> Lines:
    """Tick, edge count and edge tick of each line, where edges come at `edges_s`, rising."""
    at = np.round(edges_s * TICK_HZ).astype(np.int64)
    step = TICK_HZ // line_hz
    tick = np.arange(step, int(until_s * TICK_HZ), step, dtype=np.int64)
    edges = np.searchsorted(at, tick, side="right")
    return tick, edges, np.where(edges > 0, at[np.maximum(edges - 1, 0)], 0)


def read(seen: Lines, tachometer: Tachometer) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Speed and trust of each line, one by one and as arrays, which must be the same."""
    rpm, good = Speedometer(tachometer, TICK_HZ).speeds(*seen)
    single = Speedometer(tachometer, TICK_HZ)
    rows = zip(*(column.tolist() for column in seen), strict=True)
    assert [single.speed(*row) for row in rows] == list(
        zip(rpm.tolist(), good.tolist(), strict=True)
    )
    return rpm, good


def steady(pulses: int, rpm: float, edges: int) -> NDArray[np.float64]:
    """Seconds of so many edges at one speed, from a moment that lies on no line."""
    return 0.0123 + np.arange(edges) * 60.0 / rpm / pulses


def settled(pulses: int, rpm: float, line_hz: int) -> NDArray[np.float64]:
    """`steady`, for so long that the speed is believed: twenty edges and ten lines."""
    return steady(pulses, rpm, max(20, math.ceil(10.0 * rpm / 60.0 * pulses / line_hz)))


def spoil(edges_s: NDArray[np.float64], way: str, at: int) -> NDArray[np.float64]:
    """Edge number `at` is missed, or comes again after 3 % of the way to the next."""
    if way == "missed":
        return np.delete(edges_s, at)
    again_s = edges_s[at] + 0.03 * (edges_s[at + 1] - edges_s[at])
    return np.insert(edges_s, at + 1, again_s)


@pytest.mark.parametrize("way", ["missed", "twice"])
@pytest.mark.parametrize(
    ("pulses", "line_hz", "rpm"),
    [
        # More lines than edges: many lines while the missed edge is awaited.
        (1, 1000, 400.0),
        (1, 200, 1500.0),
        (2, 1000, 4000.0),
        (7, 200, 900.0),
        # About one edge a line.
        (1, 200, 11_300.0),
        (2, 50, 1500.0),
        (2, 200, 6000.0),
        (7, 1000, 8000.0),
        # Up to two a line.
        (1, 200, 23_000.0),
        (2, 200, 11_300.0),
        (7, 1000, 16_000.0),
    ],
)
def test_one_wrong_mark_flags_its_line_and_leaves_the_speed_alone(
    way: str, pulses: int, line_hz: int, rpm: float
) -> None:
    right = steady(pulses, rpm, 60)
    for at in range(30, 37):
        seen = lines(spoil(right, way, at), line_hz, float(right[-1]))
        speed, good = read(seen, Tachometer(pulses))
        later = seen[0] > right[20] * TICK_HZ
        assert speed[later & good] == pytest.approx(rpm, rel=0.035), at
        assert (~good[later]).sum() <= 2
        assert good[-3:].all()


@given(
    st.sampled_from(["missed", "twice"]),
    st.integers(1, 8),
    st.sampled_from(LINES_HZ),
    st.floats(300.0, 30_000.0),
    st.integers(30, 50),
    st.lists(st.floats(-0.025, 0.025), min_size=8, max_size=8),
)
def test_one_wrong_mark_among_uneven_ones_pulls_no_valid_speed_down(
    way: str, pulses: int, line_hz: int, rpm: float, at: int, astray: list[float]
) -> None:
    assume(rpm / 60.0 * pulses <= 2.0 * line_hz)
    gap_s = 60.0 / rpm / pulses
    even = steady(pulses, rpm, 80)
    right = even + gap_s * np.resize(np.array(astray[:pulses]), 80)
    seen = lines(spoil(right, way, at), line_hz, float(right[-1]))
    speed, good = read(seen, Tachometer(pulses))
    later = seen[0] > right[20] * TICK_HZ
    # A gap between marks is astray by up to 5 %, and 3 % more beside a mark seen twice.
    assert speed[later & good] == pytest.approx(rpm, rel=0.09)
    assert good[-3:].all()


@given(
    st.integers(1, 8),
    st.sampled_from(LINES_HZ),
    st.floats(100.0, 30_000.0),
    st.sampled_from([0.2, 0.5, 1.5]),
)
def test_a_rotor_that_stops_dead_is_seen_to_slow_down_and_to_stand(
    pulses: int, line_hz: int, rpm: float, standstill_s: float
) -> None:
    tachometer = Tachometer(pulses, standstill_s=standstill_s)
    assume(60.0 / rpm / pulses < standstill_s)
    right = settled(pulses, rpm, line_hz)
    seen = lines(right, line_hz, float(right[-1]) + standstill_s + 0.1)
    speed, good = read(seen, tachometer)
    age_s = seen[0] / TICK_HZ - right[-1]
    assert good[age_s > 0.0].all()
    assert (np.diff(speed[age_s > 0.0]) <= 0.0).all()
    assert (speed[age_s >= standstill_s + 1e-5] == 0.0).all()
    held_s = min(OVERDUE_EDGES * 60.0 / rpm / pulses, HELD_AT_MOST_S)
    overdue = age_s > held_s + 1.0 / line_hz
    assert (speed[overdue] <= 60.0 / pulses / age_s[overdue] * (1.0 + 1e-3)).all()


def coasting(
    pulses: int, rpm: float, line_hz: int, slows_in_s: float
) -> tuple[NDArray[np.float64], float]:
    """Edges of a settled rotor, let go at the second that is given too, for 1.5 s.

    Its own drag goes with the square of speed (affinity laws), so n = n0 / (1 + t / T).
    """
    driven = settled(pulses, rpm, line_hz)
    stop_s = float(driven[-1])
    per_s = rpm / 60.0 * pulses
    edges = np.arange(1.0, per_s * slows_in_s * math.log1p(1.5 / slows_in_s))
    after_s = slows_in_s * np.expm1(edges / (per_s * slows_in_s))
    return np.concatenate((driven, stop_s + after_s)), stop_s


def first_proof_s(seen: Lines, tachometer: Tachometer, stop_s: float) -> float | None:
    """Seconds from the stop to the first line that proves it, as a session judges lines."""
    speed, good = read(seen, tachometer)
    since_s = seen[0] / TICK_HZ - stop_s
    proof = Proof.begin({"speed_rpm": float(speed[since_s < 0.0][-1])})
    for at in np.flatnonzero(since_s >= 0.0):
        unusable = frozenset[str]() if good[at] else frozenset({"speed_rpm"})
        if proof.holds({"speed_rpm": float(speed[at])}, unusable):
            return float(since_s[at])
    return None


@given(
    st.integers(1, 8),
    st.sampled_from(LINES_HZ),
    st.floats(600.0, 30_000.0),
    st.floats(0.02, 4.0),
    st.sets(st.integers(3, 200), max_size=3),
)
def test_a_stop_is_proven_in_time_by_speed_alone_whatever_marks_are_missed(
    pulses: int, line_hz: int, rpm: float, slows_in_s: float, missed: set[int]
) -> None:
    edges_s, stop_s = coasting(pulses, rpm, line_hz, slows_in_s)
    first = int(np.searchsorted(edges_s, stop_s))
    gone = [first + at for at in missed if first + at < len(edges_s)]
    seen = lines(np.delete(edges_s, gone), line_hz, stop_s + 1.5)
    proven_s = first_proof_s(seen, Tachometer(pulses), stop_s)
    assert proven_s is not None and proven_s < PROVE_WITHIN_S


@given(st.integers(1, 8), st.sampled_from(LINES_HZ), st.floats(600.0, 30_000.0))
def test_a_coast_down_is_no_glitch_and_read_with_its_speed(
    pulses: int, line_hz: int, rpm: float
) -> None:
    slows_in_s = 0.5
    edges_s, stop_s = coasting(pulses, rpm, line_hz, slows_in_s)
    seen = lines(edges_s, line_hz, float(edges_s[-1]))
    speed, good = read(seen, Tachometer(pulses))
    time_s = seen[0] / TICK_HZ - stop_s
    true = rpm / (1.0 + np.maximum(time_s, 0.0) / slows_in_s)
    late_s = 1.0 / line_hz + OVERDUE_EDGES * 60.0 / true / pulses
    before = rpm / (1.0 + np.maximum(time_s - late_s, 0.0) / slows_in_s)
    turning = (time_s > 0.0) & (true > 300.0)
    assert good[turning].all()
    assert (speed[turning] >= 0.99 * true[turning]).all()
    assert (speed[turning] <= 1.01 * before[turning]).all()


@given(
    st.integers(1, 8),
    st.sampled_from(LINES_HZ),
    st.floats(600.0, 30_000.0),
    st.sampled_from(["missed", "twice"]),
    st.integers(41, 55),
)
def test_a_wrong_mark_proves_no_stop(
    pulses: int, line_hz: int, rpm: float, way: str, at: int
) -> None:
    assume(rpm / 60.0 * pulses <= 2.0 * line_hz)
    right = steady(pulses, rpm, 80)
    seen = lines(spoil(right, way, at), line_hz, float(right[-1]))
    assert SPEED_LEFT < 0.95
    assert first_proof_s(seen, Tachometer(pulses), float(right[39])) is None


@given(
    st.integers(1, 8),
    st.sampled_from(LINES_HZ),
    st.floats(300.0, 20_000.0),
    st.floats(1.05, 6.0),
)
def test_an_overspeed_is_hidden_for_two_readings_at_most(
    pulses: int, line_hz: int, rpm: float, times: float
) -> None:
    slow = settled(pulses, rpm, line_hz)
    fast = slow[-1] + np.arange(1, 20 * len(slow)) * 60.0 / (times * rpm) / pulses
    seen = lines(np.concatenate((slow, fast)), line_hz, float(fast[-1]))
    speed, good = read(seen, Tachometer(pulses))
    fresh = np.flatnonzero(np.diff(seen[1], prepend=0))
    # Readings between two edges that both belong to the new speed.
    wholly = fresh[1:][seen[2][fresh[:-1]] >= round(slow[-1] * TICK_HZ)]
    believed = wholly[BELIEVED_AFTER - 1 :]
    assert good[believed].all()
    assert speed[believed] == pytest.approx(times * rpm, rel=0.01)


@given(
    st.lists(st.tuples(st.integers(1, 40_000), st.integers(0, 4)), min_size=1, max_size=80),
    st.integers(1, 8),
)
def test_of_three_readings_in_a_row_one_is_believed(
    steps: list[tuple[int, int]], pulses: int
) -> None:
    ticks, counted = np.array(steps, dtype=np.int64).T
    tick, edges = np.cumsum(ticks), np.cumsum(counted)
    edge_tick = np.maximum.accumulate(np.where(counted > 0, tick - ticks // 3, 0))
    _, good = read((tick, edges, edge_tick), Tachometer(pulses))
    readings = good[np.diff(edges, prepend=edges[0]) > 0]
    in_a_row = 0
    for believed in readings:
        in_a_row = 0 if believed else in_a_row + 1
        assert in_a_row < BELIEVED_AFTER


@pytest.mark.parametrize("off", [0.0, 0.05, 0.1])
def test_how_far_marks_are_off_is_known_once_they_are_learned(off: float) -> None:
    pulses, rpm = 4, 3000.0
    edges_s = steady(pulses, rpm, 400)
    edges_s[1::2] += off * 60.0 / rpm / pulses
    meter = Speedometer(Tachometer(pulses), TICK_HZ)
    assert meter.mark_unevenness == 0.0
    meter.speeds(*lines(edges_s, 1000, float(edges_s[-1])))
    assert meter.mark_unevenness == pytest.approx(off, abs=0.01)
    # One mark is always in its place.
    assert Speedometer(Tachometer(1), TICK_HZ).mark_unevenness == 0.0
