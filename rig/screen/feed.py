"""From the recorder's thread to the screen: events in order, of snapshots only the newest.

A screen that was too slow, or stopped for ten seconds, finds one snapshot waiting and not a
hundred.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from textual.message import Message

from rig.recorder.handle import Message as FromRecorder
from rig.recorder.messages import Ended, Event, Snapshot
from rig.screen.app_messages import Happened, RunEnded, SnapshotWaits


class Feed:
    """`deliver` is called by the recorder's thread; `post` must be safe from any thread."""

    def __init__(self, post: Callable[[Message], object]) -> None:
        self._post = post
        self._lock = threading.Lock()
        self._newest: Snapshot | None = None

    def deliver(self, message: FromRecorder) -> None:
        """Pass one message of the recorder's on."""
        match message:
            case Snapshot():
                with self._lock:
                    announced = self._newest is not None
                    self._newest = message
                if not announced:
                    self._post(SnapshotWaits())
            case Event():
                self._post(Happened(message))
            case Ended():
                self._post(RunEnded(message))

    def take(self) -> Snapshot | None:
        """The newest snapshot, once."""
        with self._lock:
            newest, self._newest = self._newest, None
        return newest
