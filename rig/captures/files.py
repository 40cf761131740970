"""A new file appears under its name only when it is whole, and never in place of another.

It is written under a temporary name in the same folder, flushed to the disk, checked, and
only then given its name. Whatever goes wrong, nothing half-written is left. The one exception
is `replace_file`, which corrects the description of a capture.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import BinaryIO

from rig.errors import DiskError, InputFileError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

PARTIAL = ".partial"

_KINDS = {
    stat.S_IFDIR: "a directory",
    stat.S_IFIFO: "a FIFO",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}


def check_file(path: Path) -> None:
    """Raises InputFileError for what can be no capture, journal or log of ours by its kind.

    That is all but regular files (to open a FIFO would wait for ever), and a file whose name
    begins with a dot: a half-written one, or what a system leaves beside a copy (`._x.parquet`).
    """
    try:
        mode = path.stat().st_mode
    except OSError as error:
        missing = isinstance(error, FileNotFoundError)
        reason = "there is no such file" if missing else (error.strerror or str(error)).lower()
        raise InputFileError(reason, where=str(path)) from error
    if not stat.S_ISREG(mode):
        kind = _KINDS.get(stat.S_IFMT(mode), "something else")
        raise InputFileError(
            f"{kind}, not a regular file", where=str(path), to_do="Name a capture or a journal."
        )
    if path.name.startswith("."):
        raise InputFileError(
            "a file whose name begins with a dot is no capture or journal of ours",
            where=str(path),
            to_do="If it is one all the same, rename it.",
        )


def write_new(
    wanted: Path,
    write: Callable[[BinaryIO], object],
    check: Callable[[Path], None] = lambda _: None,
    *,
    to_do: str = "Make room on the disk, or choose another folder.",
) -> Path:
    """Write a file with `write`, check it with `check`, and return the name it got.

    That is `wanted`, or where this is taken, the same with `_2`, `_3` and so on.
    Raises DiskError with `to_do` when the disk refuses.
    """
    if not wanted.parent.is_dir():
        raise DiskError(
            "there is no such folder", where=str(wanted.parent), to_do="Make it, or choose another."
        )
    with _whole(wanted, write, check, to_do) as partial:
        final = _publish(partial, wanted)
        _flush_folder(final.parent)
    return final


def replace_file(
    path: Path, write: Callable[[BinaryIO], object], check: Callable[[Path], None]
) -> None:
    """Replace `path` by what `write` writes, once `check` has passed it; otherwise it stays.

    Only for a new description of the same data. Raises DiskError when the disk refuses.
    """
    with _whole(path, write, check, "Make room on the disk; the file is as it was.") as partial:
        shutil.copymode(path, partial)
        partial.replace(path)
        _flush_folder(path.parent)


@contextlib.contextmanager
def _whole(
    wanted: Path,
    write: Callable[[BinaryIO], object],
    check: Callable[[Path], None],
    to_do: str,
) -> Iterator[Path]:
    """A flushed and checked file under a temporary name beside `wanted`, removed afterwards."""
    partial = wanted.with_name(f".{wanted.name}.{secrets.token_hex(4)}{PARTIAL}")
    try:
        with partial.open("xb") as file:
            with contextlib.suppress(OSError):  # some network disks cannot lock
                _lock(file)
            write(file)
            file.flush()
            os.fsync(file.fileno())
        check(partial)
        yield partial
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise DiskError(f"the disk refused: {reason}", where=str(wanted), to_do=to_do) from error
    finally:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)


def sweep(wanted: Path) -> None:
    """Remove what processes that were killed while writing `wanted` have left.

    What somebody is still writing is locked, and stays.
    """
    prefix = f".{wanted.name}."
    for path in wanted.parent.iterdir():
        if path.name.startswith(prefix) and path.name.endswith(PARTIAL):
            with contextlib.suppress(OSError), path.open("rb") as file:
                _lock(file)
                path.unlink()


def _lock(file: BinaryIO) -> None:
    """Lock `file` until it is closed. Raises OSError where somebody else has.

    Windows locks whatever is open by itself.
    """
    if fcntl is not None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _publish(partial: Path, wanted: Path) -> Path:
    for number in count(1):
        name = wanted.name if number == 1 else f"{wanted.stem}_{number}{wanted.suffix}"
        target = wanted.with_name(name)
        try:
            _name(partial, target)
        except FileExistsError:
            continue
        return target
    raise AssertionError("count() does not end")


def _name(partial: Path, target: Path) -> None:
    """Give `partial` the name `target`. Raises FileExistsError, also when two try at once."""
    try:
        os.link(partial, target)
    except FileExistsError:
        raise
    except OSError:
        # No hard links here (a memory stick): take the name first, then fill it.
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        partial.replace(target)


def _flush_folder(folder: Path) -> None:
    """Make the new name itself survive a power cut, where a folder can be flushed."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def sha256(path: Path) -> str:
    """Of a file's content, in hexadecimal. Raises InputFileError."""
    check_file(path)
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputFileError(
            f"cannot be read: {error.strerror or error}", where=str(path)
        ) from error
