"""Counters across their wraps, and lines that are missing, doubled, late or from a new boot."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.records import Data
from rig.protocol.timeline import RESTART_AFTER, BoardRestartedError, Step, Timeline, unwrapped

TICKS_PER_LINE = 10_000


def wrapped(sequence: int, tick: int, edges: int, edge_tick: int) -> Data:
    """The line that a board with these true counters would send."""
    return Data(sequence % 2**16, tick % 2**32, edges % 2**16, edge_tick % 2**32, 1, ())


def line(number: int) -> Data:
    """The `number`-th line since the start, three edges each."""
    return wrapped(number, number * TICKS_PER_LINE, number * 3, number * TICKS_PER_LINE - 77)


@given(
    st.tuples(*[st.integers(0, 2**bits - 1) for bits in (16, 32, 16)]),
    st.lists(
        st.tuples(st.integers(1, 2**15 - 1), st.integers(0, 2**31), st.integers(0, 2**16 - 1)),
        max_size=50,
    ),
)
def test_true_counters_come_back(
    start: tuple[int, int, int], moves: list[tuple[int, int, int]]
) -> None:
    """Anything less than a whole turn (half a turn of the sequence) per line is unwrapped."""
    timeline = Timeline()
    sequence, tick, edges = start
    assert timeline.accept(wrapped(sequence, tick, edges, tick)) == Step(*start, tick, 0)
    for lines, ticks, more in moves:
        sequence, tick, edges = sequence + lines, tick + ticks, edges + more
        step = timeline.accept(wrapped(sequence, tick, edges, tick))
        assert step == Step(sequence, tick, edges, tick, lines - 1)
    assert timeline.lost == sequence - start[0] - len(moves)
    assert timeline.repeated == timeline.late == 0


@pytest.mark.parametrize(
    ("before", "after", "field"),
    [
        ((2**16 - 1, 0, 0, 0), (2**16, 0, 0, 0), "sequence"),
        ((0, 2**32 - 1, 0, 0), (1, 2**32 + 5, 0, 0), "tick"),
        ((0, 0, 2**16 - 1, 0), (1, 0, 2**16 + 2, 0), "edges"),
        ((0, 2**32 - 1, 0, 2**32 - 2), (1, 2**32 + 9, 0, 2**32 + 3), "edge_tick"),
    ],
)
def test_each_counter_wraps(
    before: tuple[int, int, int, int], after: tuple[int, int, int, int], field: str
) -> None:
    timeline = Timeline()
    first = timeline.accept(wrapped(*before))
    second = timeline.accept(wrapped(*after))
    assert first is not None
    assert second is not None
    place = ("sequence", "tick", "edges", "edge_tick").index(field)
    assert getattr(second, field) - getattr(first, field) == after[place] - before[place]


def test_the_last_edge_may_lie_before_the_tick_wrapped() -> None:
    step = Timeline().accept(Data(0, 5, 9, 2**32 - 10, 0, ()))
    assert step is not None
    assert step.edge_tick == -10


@pytest.mark.parametrize(("tick", "later"), [(5000, 40), (2**32 - 10, 40), (0, 1)])
def test_the_last_edge_may_lie_just_after_its_line_at_first_and_across_the_wrap(
    tick: int, later: int
) -> None:
    timeline = Timeline()
    first = timeline.accept(wrapped(7, tick, 9, tick + later))
    second = timeline.accept(wrapped(8, tick + 5000, 12, tick + 5000 + later))
    assert first is not None and second is not None
    assert (first.edge_tick - first.tick, second.edge_tick - second.tick) == (later, later)


def test_an_edge_of_long_ago_is_no_later_one() -> None:
    step = Timeline().accept(wrapped(7, 3 * 2**30, 9, 100))
    assert step is not None
    assert step.edge_tick == 100


def test_gaps_repeats_and_late_lines_are_counted_and_dropped() -> None:
    timeline = Timeline()
    accepted = [timeline.accept(line(number)) for number in (0, 1, 1, 4, 3, 5, 5, 5, 9)]
    kept = [step.sequence for step in accepted if step]
    assert kept == [0, 1, 4, 5, 9]
    assert (timeline.lost, timeline.repeated, timeline.late) == (5, 3, 1)


@given(st.lists(st.integers(-3, 3), min_size=1, max_size=60), st.integers(0, 2**17))
def test_lines_out_of_order_by_a_little_never_go_back(jitter: list[int], start: int) -> None:
    """Whatever the order, what is kept only rises, and no line is kept twice."""
    timeline = Timeline()
    order = sorted(range(len(jitter)), key=lambda i: (i + jitter[i], i))
    numbers = [start + i for i in order for _ in range(1 + (jitter[i] == 2))]
    kept = []
    for number in numbers:
        try:
            step = timeline.accept(line(number))
        except BoardRestartedError:
            # Four late lines that follow one another look like a new boot, and must.
            return
        if step:
            kept.append(step.sequence)
    assert all(later > earlier for earlier, later in pairwise(kept))
    assert timeline.repeated + timeline.late == len(numbers) - len(kept)
    assert timeline.lost == kept[-1] - kept[0] + 1 - len(kept)


@pytest.mark.parametrize("reached", [RESTART_AFTER, 100, 2**15])
def test_a_new_boot_is_noticed(reached: int) -> None:
    timeline = Timeline()
    for number in (reached - 1, reached):
        timeline.accept(line(number))
    for number in range(RESTART_AFTER):
        assert timeline.accept(line(number)) is None
    with pytest.raises(BoardRestartedError):
        timeline.accept(line(RESTART_AFTER))


def test_scattered_late_lines_are_no_new_boot() -> None:
    timeline = Timeline()
    timeline.accept(line(1000))
    for number in (10, 11, 12, 20, 21, 22, 5, 900, 901, 7):
        assert timeline.accept(line(number)) is None
    assert timeline.late == 10


def test_a_good_line_between_clears_the_suspicion() -> None:
    timeline = Timeline()
    timeline.accept(line(1000))
    for number in (1, 2, 3, 1001, 4, 5, 6, 1002, 7, 8, 9):
        timeline.accept(line(number))
    assert (timeline.late, timeline.lost) == (9, 0)


@given(st.integers(0, 2**40), st.integers(0, 2**32 - 1))
def test_unwrapped_is_the_first_that_fits(before: int, value: int) -> None:
    found = unwrapped(value, before, 32)
    assert before <= found < before + 2**32
    assert found % 2**32 == value
