"""The crash record: every line of a run, on disk within a quarter of a second.

A thread of its own writes, so that a disk that hangs delays no trip and no heartbeat. The
run's thread only appends to a queue in memory. Once a second the thread looks whether the
file is still where it was made: a folder can be removed, renamed or unmounted in mid-run.
Then, and when the disk refuses, all that was written is copied to a folder of the user's own,
as far as it still can be.
"""

from __future__ import annotations

import os
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path

import platformdirs

FLUSH_EVERY_S = 0.2
LOOK_EVERY = 5
"""So many flushes are a second."""

MOST_WAITING_BYTES = 64 * 2**20
"""A disk this far behind has refused."""

CLOSE_WITHIN_S = 10.0
COPY_AT_ONCE = 2**20


class Backlog:
    """Lines that wait to be written by `write`, which may raise OSError. No thread, no file.

    `error` is None until the disk has refused; from then on nothing more is taken.
    """

    def __init__(self, write: Callable[[bytes], None]) -> None:
        self.error: OSError | None = None
        self._write = write
        self._waiting: deque[bytes] = deque()
        self._waiting_bytes = 0

    def append(self, data: bytes) -> None:
        """Queue `data`. Never blocks."""
        if self.error is None:
            self._waiting.append(data)
            self._waiting_bytes += len(data)
            if self._waiting_bytes > MOST_WAITING_BYTES:
                self.error = OSError(f"the disk is {self._waiting_bytes >> 20} MiB behind")

    def flush(self) -> None:
        """Write what waits. Raises OSError, with nothing written counted as written."""
        if not self._waiting:
            return
        data = b"".join(self._waiting.popleft() for _ in range(len(self._waiting)))
        self._waiting_bytes -= len(data)
        self._write(data)


class Journal(Backlog):
    """An append-only file written from a thread. Never overwrites.

    `path` is where it lies: as asked for, or under the next free name. When it had to move
    to another folder, `moved` says why.
    """

    def __init__(self, path: Path) -> None:
        """Raises OSError when the file may not be made."""
        super().__init__(self._put)
        self.moved = ""
        self.path, self._descriptor = _create(path)
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._keep_writing, name="journal", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Write what waits and close the file; the result is in `error`."""
        self._closing.set()
        self._thread.join(CLOSE_WITHIN_S)
        if self._thread.is_alive() and self.error is None:
            self.error = OSError(f"the disk did not answer for {CLOSE_WITHIN_S:.0f} s")

    def _keep_writing(self) -> None:
        flushes = 0
        try:
            closing = False
            while not closing:
                closing = self._closing.wait(FLUSH_EVERY_S)
                flushes += 1
                if not self.moved and (closing or flushes % LOOK_EVERY == 0) and not self._here():
                    self._rescue(b"", OSError("it was removed, renamed or unmounted"))
                self.flush()
        except OSError as error:
            self.error = error
        except Exception as error:
            # Whatever it was, nothing is written any more, and the run must end.
            self.error = OSError(f"{type(error).__name__}: {error}")
        finally:
            os.close(self._descriptor)

    def _put(self, data: bytes) -> None:
        view = memoryview(data)
        try:
            # Piece by piece, so that the rest is known when the disk refuses.
            while view:
                view = view[os.write(self._descriptor, view) :]
            os.fsync(self._descriptor)
        except OSError as error:
            if self.moved:
                raise
            self._rescue(bytes(view), error)

    def _here(self) -> bool:
        """Whether the open file is still the one that lies at `path`."""
        try:
            there, here = self.path.stat(), os.fstat(self._descriptor)
        except OSError:
            return False
        return (there.st_dev, there.st_ino) == (here.st_dev, here.st_ino)

    def _rescue(self, rest: bytes, reason: OSError) -> None:
        """Copy what was written to another folder and go on there. Raises `reason` if not."""
        for folder in _spare_folders():
            try:
                folder.mkdir(parents=True, exist_ok=True)
                path, descriptor = _create(folder / self.path.name)
            except OSError:
                continue
            try:
                for piece in (*_content(self._descriptor), rest):
                    _write_all(descriptor, piece)
                os.fsync(descriptor)
            except OSError:
                os.close(descriptor)
                path.unlink(missing_ok=True)
                continue
            os.close(self._descriptor)
            self.path, self._descriptor = path, descriptor
            self.moved = reason.strerror or str(reason)
            return
        raise reason


def _create(path: Path) -> tuple[Path, int]:
    """Make a new file, at `path` or under the next name that nobody has."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY
    number = 1
    while True:
        wanted = path if number == 1 else path.with_name(f"{path.stem}_{number}{path.suffix}")
        try:
            return wanted, os.open(wanted, flags, 0o644)
        except FileExistsError:
            number += 1


def _content(descriptor: int) -> Iterator[bytes]:
    os.lseek(descriptor, 0, os.SEEK_SET)
    while piece := os.read(descriptor, COPY_AT_ONCE):
        yield piece


def _write_all(descriptor: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def _spare_folders() -> tuple[Path, ...]:
    return platformdirs.user_state_path("rig") / "rescued", Path(tempfile.gettempdir())


_BINARY = getattr(os, "O_BINARY", 0)
