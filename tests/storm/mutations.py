"""Faults put into the code on purpose: `python -m tests.storm.mutations`, a table.

Each must break an invariant within RUNS storms.
"""

from __future__ import annotations

import sys

from tests.recorder.mutations import MUTATIONS, Mutation, survivors

RUNS = 600
CHOSEN = frozenset({
    "a stop is proven whatever the readings are",
    "heartbeats go on while stopping",
    "no heartbeats while running",
    "heartbeats come half as often",
    "arms although a limit is passed",
    "arms although a limit with a hold is passed",
    "no stop when the run is stopped",
    "no stop at the moment of a trip",
    "a trip does not stop the run",
    "a board may write the host's lines",
    "no silence before an unproven stop is repeated",
    "the stop key breaks the silence",
    "unanswered commands are not told again",
    "what was told before a stop is told again after it",
    "a cut after the stop does not change the verdict",
    "the board is armed before it holds the limits",
    "the motor starts before the board was armed",
    "a front that stands still is ignored",
    "a front that is gone is ignored",
    "a disk that refuses stops nothing",
    "a stop that is not effective is not said",
})  # fmt: skip
MORE = (
    Mutation("an unproven stop is not repeated", "rig/recorder/stopping.py",
             "if now_s - self._quiet_since_s < QUIET_BEFORE_STOP_AGAIN_S:", "if True:"),
    Mutation("the journal is flushed once a second", "rig/recorder/journal.py",
             "FLUSH_EVERY_S = 0.2", "FLUSH_EVERY_S = 1.0"),
    Mutation("the journal loses a line at each flush", "rig/recorder/journal.py",
             "        self._write(data)\n", "        self._write(data[data.find(b'\\n') + 1 :])\n"),
    Mutation("the board waits too long for its host", "rig/simulator/gate.py",
             ">= HEARTBEAT_LOST_S", ">= 1.5 * HEARTBEAT_LOST_S"),
    Mutation("a lost port is not noticed", "rig/recorder/recording.py",
             "        if self._lost and self._port is not None:\n            self._unplug(now_s)\n",
             ""),
    Mutation("orders are looked at once a second", "rig/recorder/recording.py",
             "        while parent.waiting:\n",
             "        while parent.waiting and now_s >= self._next_clock_s:\n"),
    Mutation("a mistake of ours in a rare place", "rig/recorder/linking.py",
             "hello, channels = run.board.hello,", "hello, channels = run.boards.hello,"),
)  # fmt: skip


def main() -> int:
    """The table; 1 when a fault is not found."""
    wanted = [*(mutation for mutation in MUTATIONS if mutation.name in CHOSEN), *MORE]
    wanted = [m for m in wanted if all(word in m.name for word in sys.argv[1:])]
    command = ("-m", "tests.storm", "--seed", "0", "--runs", str(RUNS))
    alive = survivors(wanted, command)
    print(f"{len(wanted) - len(alive)} of {len(wanted)} found")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
