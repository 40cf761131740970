"""The board's own limits: which reading has been outside its bounds for too long."""

from __future__ import annotations

from collections.abc import Sequence

from rig.protocol.commands import EDGES, Limit
from rig.simulator.tachometer import Tachometer

RATE_OVER_S = 0.1
"""Edges are timed over at least so long, so that one false edge does not double the speed."""

STANDSTILL_S = 0.5
"""Without an edge for so long, there are none per second."""


class Watch:
    """Holds the limits that the host told, and judges each reading."""

    def __init__(self, tick_hz: int) -> None:
        self._tick_hz = tick_hz
        self.reset()

    def reset(self) -> None:
        """After power-up there are no limits."""
        self._limits: dict[int | str, Limit] = {}
        self.forget()

    def forget(self) -> None:
        """Begin to judge anew, as when the board is armed."""
        self._since: dict[int | str, int] = {}
        self._edges: int | None = None
        self._edge_tick = 0
        self._edges_per_s = 0.0

    def hold(self, limit: Limit) -> None:
        """Take a limit in, in place of the one before; without bounds it is taken away."""
        self._since.pop(limit.where, None)
        if limit.low is None and limit.high is None:
            self._limits.pop(limit.where, None)
        else:
            self._limits[limit.where] = limit

    def beyond(self, tick: int, counts: Sequence[int], tachometer: Tachometer) -> int | str | None:
        """Where a limit has been passed for longer than its hold, by the board's own clock."""
        self._time_edges(tachometer.edges, tachometer.edge_tick, tick)
        for where, limit in self._limits.items():
            reading = self._edges_per_s if where == EDGES else counts[int(where)]
            if (limit.low is None or reading >= limit.low) and (
                limit.high is None or reading <= limit.high
            ):
                self._since.pop(where, None)
            else:
                beyond_ms = 1000 * (tick - self._since.setdefault(where, tick)) / self._tick_hz
                if beyond_ms > limit.hold_ms or not limit.hold_ms:
                    return where
        return None

    def _time_edges(self, edges: int, edge_tick: int, tick: int) -> None:
        if self._edges is None:
            self._edges, self._edge_tick = edges, edge_tick
        elif tick - edge_tick >= STANDSTILL_S * self._tick_hz:
            self._edges_per_s = 0.0
        elif edge_tick - self._edge_tick >= RATE_OVER_S * self._tick_hz:
            self._edges_per_s = (
                (edges - self._edges) * self._tick_hz / (edge_tick - self._edge_tick)
            )
            self._edges, self._edge_tick = edges, edge_tick
