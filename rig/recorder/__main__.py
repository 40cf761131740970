"""The recorder process: `python -m rig.recorder`, a plan on its input, messages on its output.

The loop (`recording`) does only what cannot wait. Writing to disk and to the parent happen in
threads that may hang without it noticing. When the parent is gone, the pipe ends: the motor
is stopped, the journal is finished, and a process outside this one is left to make the
capture.
"""

from __future__ import annotations

import dataclasses
import gc
import logging
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from rig import logs
from rig.errors import LinkError
from rig.recorder.holding import held
from rig.recorder.journal import Journal
from rig.recorder.link import Link
from rig.recorder.messages import Alive, Ended, Event, JournalMade, Order, Plan, Snapshot, StopRun
from rig.recorder.priority import raised
from rig.recorder.recording import Recording, last_word, refused
from rig.vocabulary import RunOutcome

_log = logging.getLogger("rig.recorder")


class Publisher:
    """Sends messages to the parent from a thread; a parent that does not read delays nothing.

    Events are kept until sent. Of snapshots only the newest is.
    """

    def __init__(self, pipe: IO[bytes]) -> None:
        self.broken = False
        self._pipe = pipe
        self._events: deque[Event | Ended | JournalMade] = deque()
        self._snapshot: Snapshot | None = None
        self._something = threading.Event()
        self._thread = threading.Thread(target=self._send, name="publisher", daemon=True)
        self._thread.start()

    def tell(self, message: Event | Ended | JournalMade) -> None:
        """Queue a message that must arrive."""
        self._events.append(message)
        self._something.set()

    def show(self, snapshot: Snapshot) -> None:
        """Replace the snapshot that waits to be sent."""
        self._snapshot = snapshot
        self._something.set()

    def wait(self, seconds: float) -> bool:
        """Give the thread time to send the last message, `Ended`; whether it is done."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _send(self) -> None:
        try:
            while True:
                self._something.wait()
                self._something.clear()
                snapshot, self._snapshot = self._snapshot, None
                if snapshot is not None:
                    self._write(snapshot)
                while self._events:
                    message = self._events.popleft()
                    self._write(message)
                    if isinstance(message, Ended):
                        return
        except Exception:
            # A pipe that is broken, or a mistake of ours: nobody hears of this run any more.
            self.broken = True

    def _write(self, message: Snapshot | Event | Ended | JournalMade) -> None:
        pickle.dump(message, self._pipe, pickle.HIGHEST_PROTOCOL)
        self._pipe.flush()


class Orders:
    """What the parent wants, read by a thread. `parent_lives` ends with the pipe."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self.parent_lives = True
        self.heard_s: float | None = None
        self.waiting: deque[Order] = deque()
        self._pipe = pipe
        threading.Thread(target=self._read, name="orders", daemon=True).start()

    def _read(self) -> None:
        try:
            while True:
                message = pickle.load(self._pipe)
                self.heard_s = time.monotonic()
                if not isinstance(message, Alive):
                    self.waiting.append(message)
        except Exception:
            # The end of the pipe, or something on it that is no order.
            self.parent_lives = False


def main() -> int:
    """Run one plan to its end."""
    to_parent = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing that prints may get between the messages
    # Not sys.stdin: its lock, held by a thread that reads, would abort the end of Python.
    from_parent = os.fdopen(os.dup(0), "rb")
    plan: Plan = pickle.load(from_parent)
    orders = Orders(from_parent)
    publisher = Publisher(to_parent)
    for number in {signal.SIGTERM, signal.SIGINT, getattr(signal, "SIGHUP", signal.SIGTERM)}:
        signal.signal(
            number, lambda *_: orders.waiting.append(StopRun("the recorder was told to end"))
        )
    gc.collect()
    gc.freeze()
    ended = record(plan, orders, publisher)
    publisher.tell(ended)
    # A parent that stands still gets its last word when it goes on; one that dies, never.
    while not publisher.wait(1.0) and orders.parent_lives:
        pass
    if not orders.parent_lives and ended.journal is not None and ended.journal.exists():
        _make_capture(ended.journal)
    return ended.exit_code


def record(plan: Plan, orders: Orders, publisher: Publisher) -> Ended:
    """Record one run; the last word on how it ended, and the journal that it made."""
    try:
        with held(plan.port, f"rig run, setup {plan.beginning.get('setup', '')!r}"):
            return _record(plan, orders, publisher)
    except LinkError as error:
        where = f"{error.where} " if error.where else ""
        return Ended(RunOutcome.LINK_LOST, error.exit_code, f"{where}{error.what}", error.to_do)


def _record(plan: Plan, orders: Orders, publisher: Publisher) -> Ended:
    # The port first: a run that cannot begin leaves no journal behind.
    port = Link(plan.port, plan.stand.baud)
    try:
        journal = Journal(plan.journal)
    except OSError as error:
        port.close()
        return refused(plan.journal, error)
    publisher.tell(JournalMade(journal.path))
    logs.beside(journal.path)
    _log.info("process %d, port %s at %d baud", os.getpid(), plan.port, plan.stand.baud)
    priority = raised()
    _log.info("priority: %s", priority)
    try:
        ended = Recording(
            _with_priority(plan, priority),
            port,
            clock=time.monotonic,
            utc=_utc,
            pause=time.sleep,
            open_port=lambda: Link(plan.port, plan.stand.baud),
            parent=orders,
            voice=publisher,
            journal=journal,
        ).run()
    finally:
        journal.close()
    _log.info("ended: %s, exit code %d, %s", ended.outcome, ended.exit_code, ended.cause)
    return last_word(plan, ended, journal)


def _with_priority(plan: Plan, priority: str) -> Plan:
    """The plan whose first line in the journal also says what priority this process has."""
    host = plan.beginning.get("host")
    known = host if isinstance(host, dict) else {}
    beginning = {**plan.beginning, "host": {**known, "priority": priority}}
    return dataclasses.replace(plan, beginning=beginning)


def _make_capture(journal: Path) -> None:
    subprocess.Popen(
        [sys.executable, "-P", "-m", "rig.captures", str(journal)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


if __name__ == "__main__":
    sys.exit(main())
