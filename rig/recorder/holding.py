"""One motor, one program: who holds a port.

A file by the port's name in a folder of the user's temporary folder is locked for as long as
the program lives, and says who that is. The system frees the lock with the process, however
it ends, so there is no stale lock to remove; the file itself stays.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from rig.errors import LinkError

MOST_READ = 500


@contextlib.contextmanager
def held(port: str, command: str) -> Iterator[None]:
    """Hold `port` for this process; `command` is what others read. Raises LinkError."""
    with contextlib.ExitStack() as stack:
        try:
            descriptor = _open(port)
        except OSError:
            # No place for the file: the device's own lock is what remains.
            yield
            return
        stack.callback(os.close, descriptor)
        if not _lock(descriptor):
            raise LinkError(
                f"another program holds the port: {_holder(descriptor)}",
                where=port,
                to_do="One motor, one program: end that one first.",
            )
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"process {os.getpid()}, {command}"[:MOST_READ].encode(), 0)
        yield


def _open(port: str) -> int:
    folder = Path(tempfile.gettempdir()) / f"rig-ports-{_user()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        raise PermissionError(f"{folder} belongs to somebody else")
    name = hashlib.sha256(_same_for_all(port).encode("utf-8", "replace")).hexdigest()[:32]
    return os.open(folder / name, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)


def _same_for_all(port: str) -> str:
    """One name for a port, whichever of its names it was called by."""
    if "://" in port:
        return port.lower().replace("localhost", "127.0.0.1")
    return os.path.realpath(port) if os.path.exists(port) else port.upper()  # noqa: PTH110


def _user() -> str:
    return str(os.getuid()) if hasattr(os, "getuid") else getpass.getuser()


def _holder(descriptor: int) -> str:
    os.lseek(descriptor, 0, os.SEEK_SET)
    words = os.read(descriptor, MOST_READ).decode("utf-8", "replace")
    return ascii(words)[1:-1] or "one that has just started"


try:
    import fcntl

    def _lock(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

except ImportError:  # Windows, where an open port is exclusive in any case
    import msvcrt

    def _lock(descriptor: int) -> bool:
        try:
            # Far behind the text, which others must be able to read.
            os.lseek(descriptor, 10 * MOST_READ, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        return True
