"""Whole arrays unwrapped like single lines: held to `Timeline` whatever comes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.captures import unwrap
from rig.captures.unwrap import Unwrapper
from rig.protocol.records import Data
from rig.protocol.timeline import BoardRestartedError, Timeline

Row = tuple[int, int, int, int]

_FORWARD = st.sampled_from([1, 1, 1, 1, 1, 1, 2, 7, 30_000])
_ANY = st.sampled_from([1, 1, 1, 0, -1, -2, -30_000, 40_000])


@st.composite
def _streams(draw: st.DrawFn) -> tuple[list[Row], list[int]]:
    """Lines that mostly step forward, and where to cut the stream into blocks."""
    length = draw(st.integers(0, 60))
    steps = draw(st.lists(st.one_of(_FORWARD, _FORWARD, _ANY), min_size=length, max_size=length))
    ticks = draw(st.lists(st.integers(0, 2**32 - 1), min_size=length, max_size=length))
    edges = draw(st.lists(st.integers(0, 2**16 - 1), min_size=length, max_size=length))
    sequence, rows = draw(st.integers(0, 2**16 - 1)), []
    for step, tick, count in zip(steps, ticks, edges, strict=True):
        sequence = (sequence + step) % 2**16
        rows.append((sequence, tick, count, (tick * 7 + count) % 2**32))
    cuts = sorted(draw(st.lists(st.integers(0, length), max_size=4)))
    return rows, cuts


def _line_by_line(rows: list[Row]) -> tuple[list[int], list[Row], Timeline, bool]:
    timeline, kept, counters = Timeline(), [], []
    for index, row in enumerate(rows):
        try:
            step = timeline.accept(Data(*row, status=0, counts=()))
        except BoardRestartedError:
            return kept, counters, timeline, True
        if step is not None:
            kept.append(index)
            counters.append((step.sequence, step.tick, step.edges, step.edge_tick))
    return kept, counters, timeline, False


@pytest.mark.parametrize("at_once", [1, 5, 4096])
@settings(max_examples=100)
@given(_streams())
def test_equal_to_timeline(at_once: int, stream: tuple[list[Row], list[int]]) -> None:
    rows, cuts = stream
    fields = np.array(rows, dtype=np.int64).reshape(-1, 4)
    unwrapper, kept, counters = Unwrapper(), [], []
    before, unwrap._AT_ONCE = unwrap._AT_ONCE, at_once
    try:
        for start, end in zip([0, *cuts], [*cuts, len(rows)], strict=True):
            result = unwrapper.feed(fields[start:end])
            kept += (result.kept + start).tolist()
            counters += [tuple(row) for row in result.counters.tolist()]
    finally:
        unwrap._AT_ONCE = before
    expected_kept, expected, timeline, restarted = _line_by_line(rows)
    assert (kept, counters) == (expected_kept, expected)
    assert unwrapper.restarted == restarted
    assert (unwrapper.lost, unwrapper.repeated, unwrapper.late) == (
        timeline.lost,
        timeline.repeated,
        timeline.late,
    )


@pytest.mark.parametrize("start", [5000, 2**32 - 2_000, 2**32 - 5_020])
def test_edges_just_after_their_lines_come_back_at_first_and_across_the_wrap(start: int) -> None:
    rows = np.arange(20)
    tick = start + rows * 1000
    truth = np.stack([rows, tick, rows * 3 + 5, tick + 30], axis=1)
    counters = Unwrapper().feed(truth % [2**16, 2**32, 2**16, 2**32]).counters
    np.testing.assert_array_equal(counters, truth)


def test_a_long_run_wraps_many_times() -> None:
    rows = np.arange(300_000)
    truth = np.stack([rows + 5, rows * 100_000 + 9, rows * 40 + 65_000, rows * 100_000 + 3], axis=1)
    wrapped = truth % [2**16, 2**32, 2**16, 2**32]
    unwrapper = Unwrapper()
    counters = np.concatenate(
        [unwrapper.feed(block).counters for block in np.array_split(wrapped, 7)]
    )
    np.testing.assert_array_equal(counters, truth)
    assert unwrapper.lost == 0
