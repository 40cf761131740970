"""The recorder's main loop comes before ordinary programs, where the system permits it.

A trip waits for three things: the wire, our own work (0.2 ms), and the processor. On a busy
computer the last is by far the longest: an ordinary task that wakes up may have to wait until
others have used up their slices. A task under SCHED_FIFO does not wait for any of them. Its lowest
priority serves, since it is above all ordinary tasks and below everything else that someone has
given a priority on purpose.

All threads of the process are raised: one that stayed ordinary could hold the interpreter's lock
while it waits for its turn, and the loop would wait with it (p95 of trips, measured on a busy
machine: 7.7 ms with the loop alone, 1.1 ms with all). What is started later stays ordinary
(SCHED_RESET_ON_FORK).

A loop that goes wild must not keep the processor. RLIMIT_RTTIME counts the processor time since the
thread last waited for anything. After RUNS_ALONE_S the system sends SIGXCPU, and the thread becomes
ordinary again: it may only be working through a backlog, so it goes on. A thread that cannot even
do that is killed at KILLED_AFTER_S. To the motor this is what any end of the recorder is: the board
cuts the drive after 500 ms without a line from the host, and the parent says that the recorder has
died and the run is unprotected.

SCHED_FIFO needs RLIMIT_RTPRIO (see limits.conf(5)) or CAP_SYS_NICE. Without either, Linux 6.12 and
later lets an ordinary task ask for a short slice, which brings it to the processor sooner
after it wakes up (sched_setattr(2)). Older kernels ignore that. Other systems have neither.
"""

from __future__ import annotations

import ctypes
import logging
import os
import platform
import signal
import struct
import sys
import threading
from contextlib import suppress

_log = logging.getLogger(__name__)

RUNS_ALONE_S = 0.5
KILLED_AFTER_S = 2.0

SLICE_NS = 100_000
"""The shortest that the kernel grants."""

_SETATTR = {"x86_64": 314, "aarch64": 274, "riscv64": 274}
"""The number of sched_setattr; the C library has no function for it before glibc 2.41."""

_ATTRIBUTES = struct.Struct("=IIQiIQQQ")
_RESET_ON_FORK = 1


def raised() -> str:
    """Let this process come first as far as is permitted; what it got. For the main thread."""
    if sys.platform != "linux":
        return "ordinary"
    try:
        _first()
        return "SCHED_FIFO"
    except OSError:
        pass
    try:
        _short_slice()
        return "ordinary, short slice requested"
    except OSError:
        return "ordinary"


def _first() -> None:
    """Raises OSError where it is not permitted."""
    import resource  # not on every system

    # The limit and the handler first: no moment without a bound.
    signal.signal(signal.SIGXCPU, lambda *_: _ordinary())
    _, most_us = resource.getrlimit(resource.RLIMIT_RTTIME)
    wanted_us = (round(1e6 * RUNS_ALONE_S), round(1e6 * KILLED_AFTER_S))
    if most_us != resource.RLIM_INFINITY:
        wanted_us = (min(wanted_us[0], most_us), min(wanted_us[1], most_us))
    resource.setrlimit(resource.RLIMIT_RTTIME, wanted_us)
    lowest = os.sched_param(os.sched_get_priority_min(os.SCHED_FIFO))
    _all_threads(os.SCHED_FIFO, lowest)


def _all_threads(policy: int, priority: os.sched_param) -> None:
    for thread in threading.enumerate():
        if thread.native_id is not None:
            with suppress(ProcessLookupError):  # it has just ended
                os.sched_setscheduler(thread.native_id, policy | os.SCHED_RESET_ON_FORK, priority)


def _ordinary() -> None:
    """Let all threads wait their turn again; they always may."""
    _all_threads(os.SCHED_OTHER, os.sched_param(0))
    _log.warning("ran for %g s without a wait: ordinary from now on", RUNS_ALONE_S)


def _short_slice() -> None:
    """Raises OSError where there is no such request."""
    number = _SETATTR.get(platform.machine()) if sys.maxsize > 2**32 else None
    if number is None:
        raise OSError("the number of sched_setattr is not known here")
    nice = os.getpriority(os.PRIO_PROCESS, 0)
    attributes = _ATTRIBUTES.pack(
        _ATTRIBUTES.size, os.SCHED_OTHER, _RESET_ON_FORK, nice, 0, SLICE_NS, 0, 0
    )
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.syscall(number, 0, attributes, 0) != 0:
        raise OSError(ctypes.get_errno(), "sched_setattr")
