"""The recorder's loop: bytes in, orders in, time, and news out, until the run has ended.

It does only what cannot wait. The clock, the port, the parent and the disk are given to it,
so that tests run the same loop in a time of their own.
"""

from __future__ import annotations

import dataclasses
import logging
import traceback
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from rig.errors import DISK_REFUSED, LinkError
from rig.protocol import commands
from rig.recorder import verdicts
from rig.recorder.messages import Ended, Event, Order, Plan, Snapshot
from rig.recorder.session import Session
from rig.vocabulary import RunOutcome

_log = logging.getLogger(__name__)

LOOK_EVERY_S = 0.01
TIME_EVERY_S = 0.01
SNAPSHOT_EVERY_S = 0.1
CLOCK_EVERY_S = 1.0
REOPEN_EVERY_S = 0.5

FRONT_SILENT_AFTER_S = 0.7
"""The front says ten times a second that it is there. With the way to the board, a front that
was stopped has the motor off within a second."""


class Port(Protocol):
    """An open port. `read` and `write` raise OSError when it is gone."""

    def read(self, wait_s: float) -> bytes:
        """What has come, after at most `wait_s` of waiting for the first byte."""

    def write(self, data: bytes) -> object:
        """Send `data`."""

    def close(self) -> None:
        """Give the port back."""


class Parent(Protocol):
    """What comes from the parent."""

    parent_lives: bool
    heard_s: float | None
    """When it last said anything, on the loop's clock."""

    @property
    def waiting(self) -> deque[Order]:
        """Orders that have come."""


class Voice(Protocol):
    """What goes to the parent."""

    broken: bool

    def tell(self, message: Event | Ended) -> None:
        """Send a message that must arrive."""

    def show(self, snapshot: Snapshot) -> None:
        """Send the newest snapshot."""


class Pages(Protocol):
    """The journal."""

    error: OSError | None
    moved: str
    path: Path

    def append(self, data: bytes) -> None:
        """Queue `data`. Never blocks."""


class Recording:
    """One run on `port`.

    `open_port` opens it again, or raises LinkError; `pause` waits while there is none.
    """

    def __init__(
        self,
        plan: Plan,
        port: Port,
        *,
        clock: Callable[[], float],
        utc: Callable[[], str],
        pause: Callable[[float], None],
        open_port: Callable[[], Port],
        parent: Parent,
        voice: Voice,
        journal: Pages,
    ) -> None:
        self._plan, self._clock, self._utc, self._pause = plan, clock, utc, pause
        self._open_port, self._parent, self._voice = open_port, parent, voice
        self._journal = journal
        self._port: Port | None = port
        now_s = clock()
        self._next_clock_s = self._next_snapshot_s = self._next_time_s = now_s
        self._reopen_s = now_s
        self._disk_told = False
        self._lost = ""
        self.session = Session(plan, now_s, send=self._send, keep=journal.append, tell=voice.tell)

    def run(self) -> Ended:
        """Run it to its end; whatever fails, the motor is stopped and there is a last word."""
        session = self.session
        try:
            session.remark("begin", {"utc": self._utc(), **self._plan.beginning}, self._clock())
            while session.ended is None:
                self._turn()
            self._voice.show(session.snapshot(self._clock()))
            return session.ended
        except Exception as error:
            traceback.print_exc()
            _log.exception("failed")
            return self._failed(error)
        finally:
            if self._port is not None:
                self._port.close()

    def _turn(self) -> None:
        session, parent = self.session, self._parent
        data = self._read()
        now_s = self._clock()
        if data:
            session.on_bytes(data, now_s)
        while parent.waiting:
            session.on_order(parent.waiting.popleft(), now_s)
        if self._lost and self._port is not None:
            self._unplug(now_s)
        if now_s >= self._next_time_s:
            self._next_time_s = now_s + TIME_EVERY_S
            session.on_time(now_s)
        self._look_after_parent(now_s)
        self._look_after_disk(now_s)
        if now_s >= self._next_clock_s:
            self._next_clock_s = now_s + CLOCK_EVERY_S
            session.clock(self._utc(), now_s)
        if now_s >= self._next_snapshot_s:
            self._next_snapshot_s = now_s + SNAPSHOT_EVERY_S
            self._voice.show(session.snapshot(now_s))

    def _read(self) -> bytes:
        if self._port is None:
            self._reopen()
        if self._port is None:
            self._pause(LOOK_EVERY_S)
            return b""
        try:
            return self._port.read(LOOK_EVERY_S)
        except OSError as error:
            self._lost = str(error) or "gone"
            return b""

    def _send(self, data: bytes) -> None:
        if self._port is None:
            return
        try:
            self._port.write(data)
        except OSError as error:
            self._lost = str(error) or "gone"

    def _unplug(self, now_s: float) -> None:
        """The port is gone. It may come back, to be recorded and stopped, never to be driven."""
        if self._port is not None:
            self._port.close()
        self._port = None
        _log.warning("the port is gone: %s", self._lost)
        self._reopen_s = now_s + REOPEN_EVERY_S
        self.session.on_link_lost(self._lost, now_s)

    def _reopen(self) -> None:
        now_s = self._clock()
        if now_s < self._reopen_s:
            return
        self._reopen_s = now_s + REOPEN_EVERY_S
        try:
            self._port = self._open_port()
        except LinkError as error:
            _log.info("not back yet: %s", error.what)
            return
        _log.warning("the port is open again")
        self._lost = ""
        self.session.on_link_back(now_s)

    def _look_after_parent(self, now_s: float) -> None:
        if self.session.ended is not None:
            return
        parent = self._parent
        if self._voice.broken or not parent.parent_lives:
            parent.parent_lives = False
            self.session.on_front_lost(now_s)
        elif parent.heard_s is not None and now_s - parent.heard_s > FRONT_SILENT_AFTER_S:
            self.session.on_front_silent(now_s)

    def _look_after_disk(self, now_s: float) -> None:
        journal = self._journal
        if not self._disk_told and (journal.error is not None or journal.moved):
            self._disk_told = True
            self.session.on_disk_error(disk_verdict(self._plan, journal), now_s)

    def _failed(self, error: Exception) -> Ended:
        """A mistake of ours. The board hears nothing more from us, so it cuts in any case."""
        cause = f"the recorder failed: {type(error).__name__}: {error}"
        try:
            self.session.on_failure(cause, self._clock())
        except Exception:
            traceback.print_exc()
        self._send(commands.STOP_WORD)
        return self.session.ended or verdicts.stop_not_seen(cause)


def last_word(plan: Plan, ended: Ended, journal: Pages) -> Ended:
    """How a run ended once its journal is closed, and where that lies."""
    if (journal.error is not None or journal.moved) and ended.exit_code != DISK_REFUSED:
        ended = disk_verdict(plan, journal)
    return dataclasses.replace(ended, journal=journal.path)


def disk_verdict(plan: Plan, journal: Pages) -> Ended:
    """What to say of a disk that refused, or of a journal that had to move."""
    if journal.error is None:
        return Ended(
            RunOutcome.DISK,
            DISK_REFUSED,
            f"{plan.journal} could not go on ({journal.moved}): the run is kept in {journal.path}",
            "Choose a folder that stays, with --out.",
        )
    return refused(journal.path, journal.error)


def refused(path: Path, error: OSError) -> Ended:
    """The disk refused `path`."""
    return Ended(
        RunOutcome.DISK,
        DISK_REFUSED,
        f"the disk refused {path}: {error.strerror or error}",
        "Make room or choose another folder with --out; `rig salvage` keeps what is there.",
    )
