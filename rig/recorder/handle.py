"""What the parent of a recorder holds: start it, give it orders, hear from it."""

from __future__ import annotations

import dataclasses
import logging
import pickle
import queue
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

from rig.errors import LINK_LOST
from rig.recorder.messages import Alive, Ended, Event, JournalMade, Order, Plan, Snapshot
from rig.vocabulary import RunOutcome

_log = logging.getLogger(__name__)

Message = Snapshot | Event | Ended

ALIVE_EVERY_S = 0.1
"""How often the recorder hears that this process is not standing still."""


class Recorder:
    """A recorder process that runs one plan.

    `deliver` is called from a thread with each message. The last one is always an `Ended`,
    also when the process was killed: then it says that the run is unprotected.
    """

    def __init__(self, plan: Plan, deliver: Callable[[Message], None]) -> None:
        self.journal: Path | None = None
        """The journal that the recorder made, once it has."""
        self._deliver = deliver
        self._complaints = tempfile.TemporaryFile()  # noqa: SIM115 - it outlives this call
        # A session of its own: Ctrl+C in the terminal is for the parent, who tells it to
        # stop in an orderly way, and a closed terminal is noticed by the pipe.
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "rig.recorder"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._complaints,
            start_new_session=True,
        )
        _log.info("recorder is process %d", self.process.pid)
        self._orders: queue.SimpleQueue[Plan | Order] = queue.SimpleQueue()
        self._orders.put(plan)
        self._thread = threading.Thread(target=self._listen, name="recorder", daemon=True)
        self._thread.start()
        threading.Thread(target=self._talk, name="orders", daemon=True).start()

    def tell(self, order: Order) -> None:
        """Give an order, without waiting; one that comes after the end is lost."""
        self._orders.put(order)

    def wait(self, seconds: float | None = None) -> int | None:
        """Wait for the process to end; its exit code, or None after `seconds`."""
        self._thread.join(seconds)
        try:
            return self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            return None

    def _talk(self) -> None:
        """Send orders as they come, and between them that we are there."""
        pipe = self.process.stdin
        assert pipe is not None
        while True:
            message: Plan | Order | Alive
            try:
                message = self._orders.get(timeout=ALIVE_EVERY_S)
            except queue.Empty:
                message = Alive()
            try:
                pipe.write(pickle.dumps(message, pickle.HIGHEST_PROTOCOL))
                pipe.flush()
            except (OSError, ValueError):
                return

    def _listen(self) -> None:
        pipe = self.process.stdout
        assert pipe is not None
        while True:
            try:
                message: Message | JournalMade = pickle.load(pipe)
            except Exception:
                # Its end, or half a message from a process that was killed in the middle.
                self._deliver(self._lost())
                return
            if isinstance(message, JournalMade):
                self.journal = message.path
                continue
            self._deliver(message)
            if isinstance(message, Ended):
                return

    def _lost(self) -> Ended:
        code = self.process.wait()
        self._complaints.seek(0)
        words = self._complaints.read()[-2000:].decode("utf-8", "replace").strip()
        last = ascii(words.splitlines()[-1])[1:-1] if words else f"exit code {code}"
        return dataclasses.replace(
            GUARDS_NOTHING,
            cause=f"THE RUN IS UNPROTECTED: the recorder process has died ({last})",
            journal=self.journal,
        )


GUARDS_NOTHING = Ended(
    RunOutcome.RECORDER_LOST,
    LINK_LOST,
    "THE RUN IS UNPROTECTED: the recorder process does not answer",
    "The board cuts the drive when it hears nothing for 0.5 s. If the motor still "
    "turns, disconnect the supply by hand. Then `rig salvage` makes a capture of "
    "the journal.",
)
