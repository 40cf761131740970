"""The mean speed over a window, against rotors whose turns are known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.stand.turns import mean_speed_rpm, whole_turns
from tests.stand.test_marks import TICK_HZ, Lines, lines, spoil
from tests.truth.marks import MARKS


def seen(places: list[float], rpm: float, line_hz: int, turns: int = 400) -> Lines:
    edges_s = (np.arange(turns)[:, None] + np.array(places)).ravel() * 60.0 / rpm + 0.0123
    return lines(edges_s, line_hz, float(edges_s[-1]))


def mean_of(some: Lines, marks: int, invalid: slice = slice(0)) -> float:
    _, edges, edge_tick = (column[5:] for column in some)
    valid = np.ones(len(edges), dtype=np.bool_)
    valid[invalid] = False
    return mean_speed_rpm(edges, edge_tick, valid, marks, TICK_HZ)


@given(st.sampled_from(list(MARKS)), st.sampled_from([20, 50, 200, 1000]),
       st.floats(1500.0, 15_000.0))  # fmt: skip
def test_the_mean_is_true_wherever_the_marks_sit(name: str, line_hz: int, rpm: float) -> None:
    places = MARKS[name]
    assert mean_of(seen(places, rpm, line_hz), len(places)) == pytest.approx(rpm, rel=2e-5)


@pytest.mark.parametrize("way", ["missed", "twice"])
@pytest.mark.parametrize("line_hz", [50, 200, 1000])
@pytest.mark.parametrize("rpm", [1500.0, 9000.0, 15_000.0])
def test_wrong_marks_are_left_out_without_bias(way: str, line_hz: int, rpm: float) -> None:
    places = MARKS["2 marks, 9 deg"]
    edges_s = (np.arange(600)[:, None] + np.array(places)).ravel() * 60.0 / rpm + 0.0123
    for at in (300, 501, 777, 778):
        edges_s = spoil(edges_s, way, at)
    some = lines(edges_s, line_hz, float(edges_s[-1]))
    assert mean_of(some, 2) == pytest.approx(rpm, rel=5e-5)


def test_spans_that_touch_invalid_rows_are_left_out() -> None:
    some = seen(MARKS["2 marks, 9 deg"], 9000.0, 200)
    assert mean_of(some, 2, slice(100, 140)) == pytest.approx(9000.0, rel=2e-5)
    turns, _ = whole_turns(some[1], some[2], np.ones(len(some[1]), dtype=np.bool_), 2)
    _, edges, edge_tick = some
    valid = np.ones(len(edges), dtype=np.bool_)
    valid[100:140] = False
    fewer, _ = whole_turns(edges, edge_tick, valid, 2)
    # 42 spans of 5 ms at 150 turns a second are 31.5 turns, and a turn more at either side.
    assert 30 <= turns.sum() - fewer.sum() <= 34


def test_lost_lines_do_no_harm() -> None:
    _, edges, edge_tick = seen(MARKS["2 marks, 16 deg"], 9000.0, 200)
    kept = np.flatnonzero(np.random.default_rng(1).random(len(edges)) > 0.4)
    valid = np.ones(len(kept), dtype=np.bool_)
    mean = mean_speed_rpm(edges[kept], edge_tick[kept], valid, 2, TICK_HZ)
    assert mean == pytest.approx(9000.0, rel=2e-5)


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_less_than_a_turn_gives_no_mean(rows: int) -> None:
    edges, edge_tick = np.arange(rows), np.arange(rows) * 1000
    assert np.isnan(mean_speed_rpm(edges, edge_tick, np.ones(rows, np.bool_), 2, TICK_HZ))
