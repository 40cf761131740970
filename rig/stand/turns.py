"""The mean speed over a window, from whole turns: right wherever the marks sit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

WRONG_EDGES = 0.5
"""So many edges more or less than the neighbours' speed gives are a mark missed or seen twice."""

SCATTER_TIMES = 5.0
"""But no fewer than so many standard deviations of what lines differ by anyway."""

NEIGHBOURS = 15
"""Lines over which the speed about a line is taken."""


@dataclass(frozen=True, slots=True)
class EdgeScale:
    """What turns the counts of a run's tachometer into turns and seconds."""

    marks_per_turn: int
    tick_hz: float


def whole_turns(
    edges: Ints, edge_tick: Ints, valid: NDArray[np.bool_], marks_per_turn: int
) -> tuple[Ints, Ints]:
    """The window's spans from a mark to the same mark: whole turns, and how many ticks they took.

    `edges` and `edge_tick` are unwrapped, shape (rows,), rows in order. Spans that touch a row
    that is not valid, or one with a mark missed or seen twice, are left out. A row that never
    came does no harm: the board counted on. Gives two arrays of shape (spans,), maybe empty.
    """
    fresh = np.flatnonzero(np.diff(edges, prepend=0))  # before its first edge a board sends 0
    edges, edge_tick = edges[fresh], edge_tick[fresh]
    good = valid[fresh] & _counted_right(edges, edge_tick)
    part = np.cumsum(~good, dtype=np.int64)
    turns, ticks = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    rows = np.flatnonzero(good)
    for start, end in _runs(part[rows]):
        some = rows[start:end]
        chain = _longest_chain(edges[some], edge_tick[some], marks_per_turn)
        turns.append(np.diff(edges[some][chain]) // marks_per_turn)
        ticks.append(np.diff(edge_tick[some][chain]))
    return np.concatenate(turns), np.concatenate(ticks)


def mean_speed_rpm(
    edges: Ints, edge_tick: Ints, valid: NDArray[np.bool_], marks_per_turn: int, tick_hz: float
) -> float:
    """The mean speed over a window in rpm; nan where there is not one whole turn.

    The arrays as in `whole_turns`.
    """
    turns, ticks = whole_turns(edges, edge_tick, valid, marks_per_turn)
    taken = int(ticks.sum())
    return 60.0 * tick_hz * float(turns.sum()) / taken if taken > 0 else math.nan


def _longest_chain(edges: Ints, edge_tick: Ints, marks: int) -> Ints:
    """The rows of one and the same mark, of the mark whose rows span the longest time."""
    mark = edges % marks
    _, first = np.unique(mark, return_index=True)
    _, last = np.unique(mark[::-1], return_index=True)
    spans = edge_tick[len(mark) - 1 - last] - edge_tick[first]
    return np.flatnonzero(mark == mark[first[spans.argmax()]])


def _counted_right(edges: Ints, edge_tick: Ints) -> NDArray[np.bool_]:
    """Whether each row has as many new edges as the speed of the rows about it gives."""
    right = np.ones(len(edges), dtype=np.bool_)
    counted, ticks = np.diff(edges), np.diff(edge_tick)
    if len(counted) < NEIGHBOURS:
        return right
    rate = counted / np.maximum(ticks, 1)
    half = NEIGHBOURS // 2
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(rate, half, mode="edge"), NEIGHBOURS)
    wrong = np.abs(counted - np.median(windows, axis=1) * ticks)
    scatter = 1.4826 * float(np.median(wrong))
    right[1:] = wrong < max(WRONG_EDGES, SCATTER_TIMES * scatter)
    return right


def _runs(part: Ints) -> list[tuple[int, int]]:
    """Where equal neighbours begin and end."""
    edges = np.flatnonzero(np.diff(part)) + 1
    bounds = [0, *edges.tolist(), len(part)]
    return [(start, end) for start, end in pairwise(bounds) if end > start]
