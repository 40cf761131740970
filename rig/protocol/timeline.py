"""Sequence numbers, ticks and edge counts without their wraps, and the lines that are missing.

The board's counters are short and wrap. `Timeline` follows them line by line and says which
lines are repeats or come late (dropped, counted), how many never came, and when the board
must have started anew without our hearing its hello.
"""

from __future__ import annotations

from typing import NamedTuple

from rig.protocol.records import EDGE_BITS, SEQUENCE_BITS, TICK_BITS, Data

_HALF_SEQUENCE = 2 ** (SEQUENCE_BITS - 1)

RESTART_AFTER = 3
"""So many lines in a row that step back from ours but follow one another are a restart."""


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

    def accept(self, data: Data) -> Step | None:
        """The unwrapped counters, or None for a line to drop (repeated or late).

        Raises BoardRestartedError once the lines can only come from a new boot.
        """
        last = self._last
        if last is None:
            self._last = Step(data.sequence, data.tick, data.edges, _first_edge_tick(data), 0)
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


def _first_edge_tick(data: Data) -> int:
    """The last edge lies before the line that tells of it, if need be before tick 0."""
    return data.tick - (data.tick - data.edge_tick) % (1 << TICK_BITS)
