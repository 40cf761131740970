"""`rig.protocol.timeline.Timeline` for whole arrays.

An accelerator, not a second definition: wherever a line does not simply step forward, the
lines around it go through `Timeline`, and a property test holds the two equal.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rig.protocol.records import EDGE_BITS, SEQUENCE_BITS, TICK_BITS, Data
from rig.protocol.timeline import BoardRestartedError, Step, Timeline

_Array = NDArray[np.int64]

_AT_ONCE = 4096
"""Rows that are judged together: all stepping forward, or all one by one."""

_WRAPS = np.array([2**SEQUENCE_BITS, 2**TICK_BITS, 2**EDGE_BITS, 2**TICK_BITS])
_HALF_SEQUENCE = 2 ** (SEQUENCE_BITS - 1)


@dataclass(frozen=True, slots=True)
class Unwrapped:
    """Which rows of the input stay (`kept`, their indices), and their counters.

    `counters` has shape (rows, 4): sequence, tick, edges, edge tick, all unwrapped.
    """

    kept: _Array
    counters: _Array


class Unwrapper:
    """Follows one boot of one board, block after block.

    After a restart of the board (`restarted`) no more rows are kept.
    """

    def __init__(self) -> None:
        self.lost = 0
        self.repeated = 0
        self.late = 0
        self.restarted = False
        self._last: _Array | None = None
        self._timeline: Timeline | None = None
        """In use between the first line that does not step forward and the next smooth slice."""
        self._offset = np.zeros(4, dtype=np.int64)

    def feed(self, fields: _Array) -> Unwrapped:
        """Unwrap `fields`, shape (rows, 5 + channels), as they stood in the data lines."""
        kept, counters = [np.empty(0, np.int64)], [np.empty((0, 4), np.int64)]
        # The very first line goes alone: only then is there something to step forward from.
        alone = 1 if self._last is None else 0
        starts = [*range(alone), *range(alone, len(fields), _AT_ONCE), len(fields)]
        for start, end in pairwise(starts):
            if self.restarted:
                break
            wrapped = fields[start:end, :4]
            smooth = self._all_forward(wrapped)
            rows, values = smooth if smooth is not None else self._one_by_one(wrapped)
            kept.append(rows + start)
            counters.append(values)
        return Unwrapped(np.concatenate(kept), np.concatenate(counters))

    def _all_forward(self, wrapped: _Array) -> tuple[_Array, _Array] | None:
        if self._last is None:
            return None
        steps = np.diff(wrapped, axis=0, prepend=self._last[None, :]) % _WRAPS
        ahead = steps[:, 0]
        if ((ahead == 0) | (ahead >= _HALF_SEQUENCE)).any():
            return None
        counters = self._last + np.cumsum(steps, axis=0)
        self.lost += int(ahead.sum()) - len(ahead)
        self._last, self._timeline = counters[-1], None
        return np.arange(len(wrapped)), counters

    def _one_by_one(self, wrapped: _Array) -> tuple[_Array, _Array]:
        timeline = self._timeline or self._primed()
        self._timeline = timeline
        lost, repeated, late = timeline.lost, timeline.repeated, timeline.late
        kept, counters = [], []
        for row, values in enumerate(wrapped.tolist()):
            try:
                step = timeline.accept(_data(values))
            except BoardRestartedError:
                self.restarted = True
                break
            if step is not None:
                kept.append(row)
                counters.append(_counters(step))
        self.lost += timeline.lost - lost
        self.repeated += timeline.repeated - repeated
        self.late += timeline.late - late
        unwrapped = np.array(counters, dtype=np.int64).reshape(-1, 4) + self._offset
        if len(unwrapped):
            self._last = unwrapped[-1]
        return np.array(kept, dtype=np.int64), unwrapped

    def _primed(self) -> Timeline:
        """A `Timeline` that stands where we stand; it starts low, hence the offset."""
        timeline = Timeline()
        if self._last is not None:
            step = timeline.accept(_data((self._last % _WRAPS).tolist()))
            assert step is not None
            self._offset = self._last - _counters(step)
        return timeline


def _data(counters: list[int]) -> Data:
    sequence, tick, edges, edge_tick = counters
    return Data(sequence, tick, edges, edge_tick, 0, ())


def _counters(step: Step) -> tuple[int, int, int, int]:
    return step.sequence, step.tick, step.edges, step.edge_tick
