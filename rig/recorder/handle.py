"""What the parent of a recorder holds: start it, tell it things, hear from it."""

from __future__ import annotations

import pickle
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable

from rig.errors import LINK_LOST
from rig.recorder.messages import Ended, Event, Order, Plan, Snapshot

Message = Snapshot | Event | Ended


class Recorder:
    """A recorder process that runs one plan.

    `deliver` is called from a thread with each message. The last one is always an `Ended`,
    also when the process was killed: then it says that nobody guards the run.
    """

    def __init__(self, plan: Plan, deliver: Callable[[Message], None]) -> None:
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
        self._send(plan)
        self._thread = threading.Thread(target=self._listen, name="recorder", daemon=True)
        self._thread.start()

    def tell(self, order: Order) -> None:
        """Give an order; one that comes after the end is lost, as it should be."""
        self._send(order)

    def wait(self, seconds: float | None = None) -> int | None:
        """Wait for the process to end; its exit code, or None after `seconds`."""
        self._thread.join(seconds)
        try:
            return self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            return None

    def _send(self, message: Plan | Order) -> None:
        pipe = self.process.stdin
        assert pipe is not None
        try:
            pipe.write(pickle.dumps(message, pickle.HIGHEST_PROTOCOL))
            pipe.flush()
        except (BrokenPipeError, ValueError):
            return

    def _listen(self) -> None:
        pipe = self.process.stdout
        assert pipe is not None
        while True:
            try:
                message: Message = pickle.load(pipe)
            except (EOFError, OSError, pickle.UnpicklingError):
                self._deliver(self._lost())
                return
            self._deliver(message)
            if isinstance(message, Ended):
                return

    def _lost(self) -> Ended:
        code = self.process.wait()
        self._complaints.seek(0)
        words = self._complaints.read()[-2000:].decode("utf-8", "replace").strip()
        last = ascii(words.splitlines()[-1])[1:-1] if words else f"exit code {code}"
        return Ended(
            "recorder lost",
            LINK_LOST,
            f"NOBODY GUARDS THE RUN: the recorder process has died ({last})",
            "The board cuts the drive when it hears nothing for 0.5 s. If the motor still "
            "turns, disconnect the supply by hand. Then `rig salvage` makes a capture of "
            "the journal.",
        )
