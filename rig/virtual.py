"""A run on a simulated board in a time of its own, as fast as the computer can.

The recorder's own loop, its journal, the simulated board and the motor, in one process and one
clock: the loop waits on its port, and while it waits the motor turns. There is no port behind
it, so nothing real can be driven this way.
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import TextIO

from rig.headless import Outcome, Printer, conclude, interrupts
from rig.recorder.journal import Journal
from rig.recorder.messages import Ended, Event, Order, Plan, Snapshot, StopRun
from rig.recorder.recording import Recording, last_word, refused
from rig.simulator.board import Board

STEP_S = 0.001


class VirtualStand:
    """A board, and the port, parent and voice of a recording of it. Reading lets time pass."""

    def __init__(self, board: Board, printer: Printer, waiting: deque[Order] | None = None) -> None:
        self.now_s = 0.0
        self.parent_lives = True
        self.broken = False
        self.heard_s: float | None = None
        self.waiting: deque[Order] = deque() if waiting is None else waiting
        self._board, self._printer = board, printer

    def read(self, wait_s: float) -> bytes:
        """What the board says next, within `wait_s` of its time."""
        ends_s = self.now_s + wait_s
        while self.now_s < ends_s:
            self.now_s += STEP_S
            if data := self._board.advance(STEP_S):
                return data
        return b""

    def write(self, data: bytes) -> None:
        """The board hears it at once."""
        self._board.receive(data)

    def close(self) -> None:
        """There is nothing to give back."""

    def open(self) -> VirtualStand:
        """It is always there."""
        return self

    def pause(self, seconds: float) -> None:
        """Time passes, and nobody listens."""
        self.now_s += seconds
        self._board.advance(seconds)

    def tell(self, message: Event | Ended) -> None:
        """Print it."""
        if isinstance(message, Event):
            self._printer.event(message)

    def show(self, snapshot: Snapshot) -> None:
        """Print it, where a status line is due."""
        self._printer.status(snapshot)


def run(plan: Plan, board: Board, *, live_line: bool = False, out: TextIO = sys.stderr) -> Outcome:
    """Carry out `plan` on `board` and make the capture. Ctrl+C stops the motor."""
    return conclude(carry_out(plan, board, lambda tell: Printer(out, live_line, tell)), out=out)


def carry_out(
    plan: Plan, board: Board, printer_for: Callable[[Callable[[Order], None]], Printer]
) -> Ended:
    """As `rig.headless.carry_out`, on `board` and in its time."""
    try:
        journal = Journal(plan.journal)
    except OSError as error:
        return refused(plan.journal, error)
    waiting: deque[Order] = deque()
    stand = VirtualStand(board, printer_for(waiting.append), waiting)
    began = datetime.now(UTC)
    try:
        recording = Recording(
            plan,
            stand,
            clock=lambda: stand.now_s,
            utc=lambda: (began + timedelta(seconds=stand.now_s)).isoformat(timespec="milliseconds"),
            pause=stand.pause,
            open_port=stand.open,
            parent=stand,
            voice=stand,
            journal=journal,
        )
        with interrupts(lambda: waiting.append(StopRun())):
            ended = recording.run()
    finally:
        journal.close()
    return last_word(plan, ended, journal)
