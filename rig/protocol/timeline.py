"""Sequence numbers, ticks and edge counts without their wraps, and the lines that are missing.

The board's counters are short and wrap. `Timeline` follows them line by line and says which
lines are repeats or come late (dropped, counted), how many never came, and when the board
must have started anew without our hearing its hello.
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from rig.protocol.records import EDGE_BITS, SEQUENCE_BITS, TICK_BITS, Data

_HALF_SEQUENCE = 2 ** (SEQUENCE_BITS - 1)

RESTART_AFTER = 3
"""So many lines in a row that step back from ours but follow one another are a restart."""


EDGE_AT_MOST_LATER = 1 << 24
"""Ticks by which a line's last edge may come after the line's own tick: a second of 16 MHz.
What would be later than this was long before."""

Ticks = TypeVar("Ticks", int, NDArray[np.int64])


class BoardRestartedError(Exception):
    """The counters began anew: the board was reset and its hello did not reach us."""


class Step(NamedTuple):
    """The unwrapped counters of one line. All start near the board's first values."""

    sequence: int
    tick: int
    edges: int
    edge_tick: int
    lost: int
    """How many lines are missing between the line before and this one."""


class Timeline:
    """Follows one boot of one board."""

    def __init__(self) -> None:
        self.lost = 0
        self.repeated = 0
        self.late = 0
        self._last: Step | None = None
        self._strangers: list[int] = []

    @property
    def edges(self) -> int:
        """The newest unwrapped count of edges."""
        return 0 if self._last is None else self._last.edges

    def accept(self, data: Data) -> Step | None:
        """The unwrapped counters, or None for a line to drop (repeated or late).

        Raises BoardRestartedError once the lines can only come from a new boot.
        """
        last = self._last
        if last is None:
            self._last = Step(
                data.sequence, data.tick, data.edges, near(data.edge_tick, data.tick), 0
            )
            return self._last
        ahead = (data.sequence - last.sequence) % 2**SEQUENCE_BITS
        if ahead == 0 or ahead >= _HALF_SEQUENCE:
            self._drop(data.sequence, repeated=ahead == 0)
            return None
        self._strangers.clear()
        step = Step(
            last.sequence + ahead,
            unwrapped(data.tick, last.tick, TICK_BITS),
            unwrapped(data.edges, last.edges, EDGE_BITS),
            unwrapped(data.edge_tick, last.edge_tick, TICK_BITS),
            ahead - 1,
        )
        self.lost += step.lost
        self._last = step
        return step

    def _drop(self, sequence: int, *, repeated: bool) -> None:
        if repeated:
            self.repeated += 1
        else:
            self.late += 1
        before = self._strangers[-1] if self._strangers else None
        if before is not None and sequence != (before + 1) % 2**SEQUENCE_BITS:
            self._strangers.clear()
        self._strangers.append(sequence)
        if len(self._strangers) > RESTART_AFTER:
            raise BoardRestartedError


def unwrapped(value: int, before: int, bits: int) -> int:
    """The first number from `before` on whose low `bits` are `value`."""
    return before + (value - before) % (1 << bits)


def near(edge_tick: Ticks, tick: Ticks) -> Ticks:
    """The tick of a line's last edge: the last number before `tick`, or just after it, whose
    low 32 bits are those of `edge_tick`.

    The counters wrap while the rotor stands still, and only the line's own tick shows how
    often. A board may read its clock before an edge comes and the edge's tick after.
    """
    latest = tick + EDGE_AT_MOST_LATER
    return latest - (latest - edge_tick) % (1 << TICK_BITS)
