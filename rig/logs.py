"""Logs for whoever looks for a fault: `rig --verbose ...`. Off by default.

What a command does at its edges (ports, files, processes) goes to its error output; a recorder
writes beside its journal, in `.log`, from a thread of its own: a disk that hangs delays no stop.
"""

from __future__ import annotations

import atexit
import logging
import logging.handlers
import os
import queue
from pathlib import Path

_WANTED = "RIG_VERBOSE"
"""Set for the processes that this one starts."""

_FORM = "%(asctime)s.%(msecs)03d %(name)s: %(message)s"
_TIME = "%H:%M:%S"


def to_terminal() -> None:
    """From now on, here and in the processes that are started."""
    os.environ[_WANTED] = "1"
    _begin(logging.StreamHandler())


def beside(journal: Path) -> None:
    """Into a file beside `journal`, where that is wanted; a disk that refuses it is left alone."""
    if not os.environ.get(_WANTED):
        return
    try:
        file = logging.FileHandler(journal.with_suffix(".log"), encoding="utf-8")
    except OSError:
        return
    waiting: queue.SimpleQueue[logging.LogRecord] = queue.SimpleQueue()
    file.setFormatter(logging.Formatter(_FORM, _TIME))
    writer = logging.handlers.QueueListener(waiting, file)
    writer.start()
    atexit.register(writer.stop)
    _begin(logging.handlers.QueueHandler(waiting))


def _begin(handler: logging.Handler) -> None:
    handler.setFormatter(logging.Formatter(_FORM, _TIME))
    log = logging.getLogger("rig")
    log.addHandler(handler)
    log.setLevel(logging.DEBUG)
