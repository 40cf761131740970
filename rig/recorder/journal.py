"""The crash record: every line of a run, on disk within a quarter of a second.

A thread of its own writes, so that a disk that hangs delays no trip and no heartbeat. The
run's thread only appends to a queue in memory.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from pathlib import Path

FLUSH_EVERY_S = 0.2
MOST_WAITING_BYTES = 64 * 2**20
"""A disk this far behind has refused."""

CLOSE_WITHIN_S = 10.0


class Journal:
    """An append-only file written from a thread. Never overwrites.

    `error` is None until the disk has refused; from then on nothing more is taken.
    """

    def __init__(self, path: Path) -> None:
        """Raises OSError when the file exists or may not be made."""
        self.path = path
        self.error: OSError | None = None
        self._descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o644)
        self._waiting: deque[bytes] = deque()
        self._waiting_bytes = 0
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._write, name="journal", daemon=True)
        self._thread.start()

    def append(self, data: bytes) -> None:
        """Queue `data`. Never blocks."""
        if self.error is None:
            self._waiting.append(data)
            self._waiting_bytes += len(data)
            if self._waiting_bytes > MOST_WAITING_BYTES:
                self.error = OSError(f"the disk is {self._waiting_bytes >> 20} MiB behind")

    def close(self) -> None:
        """Write what waits and close the file; the result is in `error`."""
        self._closing.set()
        self._thread.join(CLOSE_WITHIN_S)
        if self._thread.is_alive() and self.error is None:
            self.error = OSError(f"the disk did not answer for {CLOSE_WITHIN_S:.0f} s")

    def _write(self) -> None:
        try:
            while not self._closing.wait(FLUSH_EVERY_S):
                self._flush()
            self._flush()
        except OSError as error:
            self.error = error
        finally:
            os.close(self._descriptor)

    def _flush(self) -> None:
        if not self._waiting:
            return
        data = b"".join(self._waiting.popleft() for _ in range(len(self._waiting)))
        self._waiting_bytes -= len(data)
        view = memoryview(data)
        while view:
            view = view[os.write(self._descriptor, view) :]
        os.fsync(self._descriptor)


_BINARY = getattr(os, "O_BINARY", 0)
