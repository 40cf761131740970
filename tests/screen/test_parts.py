"""What the screen works out for itself, without a screen."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.recorder.messages import Ended, Event, Snapshot
from rig.screen.app_messages import Happened, RunEnded, SnapshotWaits
from rig.screen.chart import columns_of_dots, dots_of, scale
from rig.screen.feed import Feed
from rig.screen.history import History, seconds_until
from rig.screen.levels import (
    EMPTY,
    FILLED,
    TRIP,
    WARN,
    Levels,
    amount_shown,
    bar,
    in_words,
    levels_of,
)
from rig.screen.notice import notice
from rig.stand.findings import NOTE, REFUSE, Finding
from rig.stand.settings import demo_stand
from rig.stand.watches import ActiveAlarm
from tests.screen import messages
from tests.screen.messages import COLUMNS, snapshot


def test_levels_come_from_the_stand_cells_and_pickup_counted_in() -> None:
    levels = levels_of(demo_stand(), COLUMNS)
    assert levels["current_a"] == Levels(warn_over=85.0, trip_over=100.0)
    assert levels["voltage_v"].trip_under == pytest.approx(6 * 3.2)
    assert levels["voltage_v"].warn_under == pytest.approx(6 * 3.5)
    assert levels["power_w"] == Levels()


@pytest.mark.parametrize(
    ("value", "clipped", "word"),
    [(84.9, False, ""), (85.1, False, "WARN"), (100.1, False, "TRIP"), (1.0, True, "TRIP"),
     (math.nan, False, "")],
)  # fmt: skip
def test_a_reading_is_called_what_it_is(value: float, clipped: bool, word: str) -> None:
    assert Levels(warn_over=85.0, trip_over=100.0).word(value, clipped=clipped) == word


def test_a_bar_fills_up_to_the_reading_and_marks_the_levels() -> None:
    levels = Levels(warn_over=80.0, trip_over=100.0)
    assert bar(50.0, levels, (0.0, 100.0), 10) == FILLED * 5 + EMPTY * 3 + WARN + TRIP
    assert bar(math.nan, levels, (0.0, 100.0), 10).startswith(EMPTY)


@given(
    value=st.floats(allow_nan=True, allow_infinity=True),
    levels=st.builds(Levels, *[st.none() | st.floats(-1e6, 1e6)] * 4),
    width=st.integers(0, 300),
)
def test_a_bar_is_as_long_as_its_room(value: float, levels: Levels, width: int) -> None:
    finite = value if math.isfinite(value) else math.nan
    span = levels.span("current_a", finite)
    assert len(bar(finite, levels, span, width)) == width


def test_amounts_have_fixed_places() -> None:
    assert amount_shown(9.81, "current_a") == "9.8"
    assert amount_shown(math.nan, "speed_rpm") == "---"
    assert amount_shown(99.9, "current_a", clipped=True) == "over"
    assert in_words(95.0) == "95 s" and in_words(700.0) == "12 min" and in_words(4000.0) == ""


def rows(*tenths: int, value: float = 1.0) -> Snapshot:
    values = (value,) * len(COLUMNS)
    return snapshot(trace=tuple((tenth, values, values) for tenth in tenths))


def test_history_takes_each_tenth_once_and_keeps_a_gap() -> None:
    history = History()
    for taken in (rows(0, 1, 2), rows(1, 2, 3), rows(6, 7)):
        history.take(taken)
    time_s, _, _ = history.trace("current_a")
    assert time_s == pytest.approx([-0.7, -0.6, -0.5, -0.4, -0.1, 0.0])


def test_history_begins_anew_with_a_new_boot() -> None:
    history = History()
    history.take(rows(100, 101))
    history.take(rows(0, 1))
    assert len(history.trace("current_a")[0]) == 2


def test_the_rate_of_rise_is_the_slope_of_a_straight_line() -> None:
    """Against numpy.polyfit."""
    history = History()
    generator = np.random.default_rng(4)
    values = 20.0 + np.arange(100) * 0.05 + generator.normal(0.0, 0.02, 100)
    for tenth, value in enumerate(values):
        history.take(rows(tenth, value=float(value)))
    fitted = np.polyfit(np.arange(100) * 0.1, values, 1)[0] * 60.0
    assert history.rate_per_min("motor_degc") == pytest.approx(fitted, rel=1e-9)
    assert seconds_until(40.0, 100.0, 30.0) == pytest.approx(120.0)
    assert seconds_until(40.0, 100.0, -1.0) is None


def test_a_gap_in_the_data_is_a_gap_in_the_dots() -> None:
    time_s = np.array([-0.5, -0.4, 0.0])
    low = high = np.array([1.0, 2.0, 3.0])
    lowest, _ = columns_of_dots((time_s, low, high), 0.6, 6)
    assert np.isnan(lowest).tolist() == [False, False, True, True, True, False]
    assert lowest[[0, 1, 5]].tolist() == [1.0, 2.0, 3.0]


def test_one_short_peak_is_drawn_however_many_readings_share_a_column() -> None:
    time_s = np.arange(-59.9, 0.05, 0.1)
    low, high = np.ones(600), np.ones(600)
    high[300] = 50.0
    lowest, highest = columns_of_dots((time_s, low, high), 60.0, 60)
    bottom, top = scale(lowest, highest, Levels())
    assert min(y for _, y in dots_of(lowest, highest, bottom, top, 40)) < 6


@given(
    st.lists(
        st.tuples(st.floats(-1e5, 1e5), st.floats(0, 1e5)) | st.none(), min_size=2, max_size=40
    ),
    st.integers(1, 60),
)
def test_dots_stay_on_the_canvas_and_join(
    readings: list[tuple[float, float] | None], height: int
) -> None:
    lowest = np.array([math.nan if r is None else r[0] for r in readings])
    highest = np.array([math.nan if r is None else r[0] + r[1] for r in readings])
    bottom, top = scale(lowest, highest, Levels())
    dots = dots_of(lowest, highest, bottom, top, height)
    by_column = {x: [y for at, y in dots if at == x] for x in range(len(readings))}
    for x, reading in enumerate(readings):
        assert bool(by_column[x]) == (reading is not None)
        assert all(0 <= y < height for y in by_column[x])
        if x and by_column[x] and by_column[x - 1]:
            gap = max(min(by_column[x]) - max(by_column[x - 1]),
                      min(by_column[x - 1]) - max(by_column[x]))  # fmt: skip
            assert gap <= 1


def test_late_snapshots_are_dropped_and_events_are_not() -> None:
    posted: list[object] = []
    feed = Feed(posted.append)
    for second in range(100):
        feed.deliver(snapshot(host_s=float(second)))
        feed.deliver(Event(float(second), "x"))
    feed.deliver(Ended("done", 0, "done"))
    assert [type(message) for message in posted].count(SnapshotWaits) == 1
    assert [type(message) for message in posted].count(Happened) == 100
    assert isinstance(posted[-1], RunEnded)
    newest = feed.take()
    assert newest is not None and newest.host_s == 99.0
    assert feed.take() is None


LOUD = messages.event("loud", loud=True)
TRIPPED = messages.event(messages.TRIP.text, messages.TRIP, loud=True)
LOST = Ended("recorder lost", 4, "THE RUN IS UNPROTECTED: gone")


@pytest.mark.parametrize(
    ("shown", "unseen", "ended", "rank", "words"),
    [
        (snapshot("unproven"), [TRIPPED], None, "danger", "BY HAND"),
        (snapshot("running"), [], LOST, "danger", "UNPROTECTED"),
        (snapshot("coasting"), [TRIPPED, LOUD], None, "trip", "103.2 A"),
        (snapshot("running", active=(ActiveAlarm(messages.WARNING, "unacknowledged"),)), [], None,
         "warning", "88.0 A"),
        (snapshot("running", active=(ActiveAlarm(messages.WARNING, "acknowledged"),)), [], None,
         "calm", "8 s left"),
        (snapshot("running", instruction="throttle to 60 %, hold 8 s"), [], None, "todo",
         "NEXT, BY HAND: throttle to 60 %, hold 8 s"),
        (snapshot("ready"), [], None, "calm", "a arms"),
        (snapshot("armed"), [], None, "todo", "r runs"),
        (None, [], None, "calm", "Starting"),
    ],
)  # fmt: skip
def test_what_matters_most_is_told(
    shown: Snapshot | None, unseen: list[Event], ended: Ended | None, rank: str, words: str
) -> None:
    told = notice(shown, unseen, ended)
    assert told.rank == rank
    assert words in "\n".join(told.lines)


@pytest.mark.parametrize(("state", "first"), [("ready", True), ("running", False)])
def test_a_stop_that_is_not_proven_is_the_first_line_before_a_run(state: str, first: bool) -> None:
    told = notice(snapshot(state), [], None, unproven="THE STOP IS NOT PROVEN: never tried")
    assert (told.lines[0] == "THE STOP IS NOT PROVEN: never tried") is first
    if first:
        assert told.rank == "warning" and "a arms" in told.lines[-1]


REFUSED = Finding(REFUSE, "voltage_v", "There is no supply voltage: 0.00 V.", "Look at the pack.")
NOTED = Finding(NOTE, "temperatures", "Motor temperature is 41.0 °C.", "Still warm from a run?")


@pytest.mark.parametrize(
    ("findings", "rank", "lines"),
    [
        (None, "calm", ["Looking at the stand"]),
        ((), "calm", ["Zero check good"]),
        ((NOTED,), "warning", ["Zero check: Motor temperature is 41.0 °C. Still warm"]),
        (
            (REFUSED, NOTED, NOTED),
            "warning",
            ["WILL NOT ARM: There is no supply", "Zero check: Motor", "and 1 more; `rig check`"],
        ),
    ],
)
def test_what_is_found_at_rest_is_said_before_the_arm_key(
    findings: tuple[Finding, ...] | None, rank: str, lines: list[str]
) -> None:
    told = notice(snapshot(findings=findings), [], None)
    assert told.rank == rank
    assert len(told.lines) == len(lines)
    assert all(line.startswith(words) for line, words in zip(told.lines, lines, strict=True))
