"""The recorder process: `python -m rig.recorder`, a plan on its input, messages on its output.

The loop below does only what cannot wait: bytes in, orders in, time. Writing to disk and to
the parent happen in threads that may hang without it noticing. When the parent is gone, the
pipe ends: the motor is stopped, the journal is finished, and a process outside this one is
left to make the capture.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from datetime import UTC, datetime
from typing import IO

from rig.errors import DISK_REFUSED, LinkError
from rig.recorder.journal import Journal
from rig.recorder.link import Link
from rig.recorder.messages import Ended, Event, Order, Plan, Snapshot, StopRun
from rig.recorder.session import Session

LOOK_EVERY_S = 0.01
TIME_EVERY_S = 0.01
SNAPSHOT_EVERY_S = 0.1
CLOCK_EVERY_S = 1.0


class Publisher:
    """Sends messages to the parent from a thread; a parent that does not read delays nothing.

    Events are kept until sent. Of snapshots only the newest is.
    """

    def __init__(self, pipe: IO[bytes]) -> None:
        self.broken = False
        self._pipe = pipe
        self._events: deque[Event | Ended] = deque()
        self._snapshot: Snapshot | None = None
        self._something = threading.Event()
        self._thread = threading.Thread(target=self._send, name="publisher", daemon=True)
        self._thread.start()

    def tell(self, message: Event | Ended) -> None:
        """Queue a message that must arrive."""
        self._events.append(message)
        self._something.set()

    def show(self, snapshot: Snapshot) -> None:
        """Replace the snapshot that waits to be sent."""
        self._snapshot = snapshot
        self._something.set()

    def wait(self, seconds: float) -> None:
        """Give the thread time to send the last message, `Ended`."""
        self._thread.join(seconds)

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
        except OSError:
            self.broken = True

    def _write(self, message: Snapshot | Event | Ended) -> None:
        pickle.dump(message, self._pipe, pickle.HIGHEST_PROTOCOL)
        self._pipe.flush()


class Orders:
    """What the parent wants, read by a thread. `parent_lives` ends with the pipe."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self.parent_lives = True
        self.waiting: deque[Order] = deque()
        self._pipe = pipe
        threading.Thread(target=self._read, name="orders", daemon=True).start()

    def _read(self) -> None:
        try:
            while True:
                self.waiting.append(pickle.load(self._pipe))
        except (EOFError, OSError, pickle.UnpicklingError):
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
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(
            number, lambda *_: orders.waiting.append(StopRun("the recorder was told to end"))
        )
    gc.collect()
    gc.freeze()
    ended = record(plan, orders, publisher)
    publisher.tell(ended)
    publisher.wait(1.0)
    if not orders.parent_lives and plan.journal.exists():
        _make_capture(plan)
    return ended.exit_code


def record(plan: Plan, orders: Orders, publisher: Publisher) -> Ended:
    """Record one run; the last word on how it ended."""
    try:
        link = Link(plan.port, plan.stand.baud)
    except LinkError as error:
        return Ended("link lost", error.exit_code, f"{error.where} {error.what}", error.to_do)
    try:
        journal = Journal(plan.journal)
    except OSError as error:
        link.close()
        return _disk_refused(plan, error)
    try:
        ended = _record(plan, orders, publisher, link, journal)
    finally:
        link.close()
        journal.close()
    if journal.error is not None and ended.exit_code != DISK_REFUSED:
        return _disk_refused(plan, journal.error)
    return ended


def _record(
    plan: Plan, orders: Orders, publisher: Publisher, link: Link, journal: Journal
) -> Ended:
    clock = time.monotonic
    lost: list[str] = []

    def send(data: bytes) -> None:
        try:
            link.write(data)
        except OSError as error:
            lost.append(str(error))

    session = Session(plan, clock(), send=send, keep=journal.append, tell=publisher.tell)
    session.remark("begin", {"utc": _utc(), **plan.beginning}, clock())
    next_snapshot_s = next_clock_s = next_time_s = clock()
    disk_told = False
    while session.ended is None:
        try:
            data = link.read(LOOK_EVERY_S)
        except OSError as error:
            data = b""
            lost.append(str(error))
        now_s = clock()
        if data:
            session.on_bytes(data, now_s)
        while orders.waiting:
            session.on_order(orders.waiting.popleft(), now_s)
        if lost:
            session.on_link_lost(lost[0], now_s)
        if now_s >= next_time_s:
            next_time_s = now_s + TIME_EVERY_S
            session.on_time(now_s)
        if (publisher.broken or not orders.parent_lives) and session.ended is None:
            orders.parent_lives = False
            session.on_front_lost(now_s)
        if journal.error is not None and not disk_told:
            disk_told = True
            session.on_disk_error(_disk_refused(plan, journal.error), now_s)
        if now_s >= next_clock_s:
            next_clock_s = now_s + CLOCK_EVERY_S
            session.clock(_utc(), now_s)
        if now_s >= next_snapshot_s:
            next_snapshot_s = now_s + SNAPSHOT_EVERY_S
            publisher.show(session.snapshot(now_s))
    publisher.show(session.snapshot(clock()))
    return session.ended


def _disk_refused(plan: Plan, error: OSError) -> Ended:
    return Ended(
        "disk",
        DISK_REFUSED,
        f"the disk refused {plan.journal}: {error.strerror or error}",
        "Make room or choose another folder with --out; `rig salvage` keeps what is there.",
    )


def _make_capture(plan: Plan) -> None:
    subprocess.Popen(
        [sys.executable, "-P", "-m", "rig.captures", str(plan.journal)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


if __name__ == "__main__":
    sys.exit(main())
