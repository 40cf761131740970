"""A simulated board on a port: a pty where the system has them, TCP elsewhere.

The board's time follows the steady clock in short slices. Nothing here waits for a reader:
what does not fit is lost, as on a cable that nobody listens to, and so is what is sent while
the port is closed. The board goes on meanwhile, and cuts when it hears no heartbeat.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import stat
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Protocol

from rig.errors import LinkError, SettingsError
from rig.simulator.board import Board
from rig.text import plain

SLICE_S = 0.002
MOST_BEHIND_S = 0.25
"""After a pause of the machine, time beyond this is given up rather than caught up."""

_MOST_READ = 65536


class Wire(Protocol):
    """The board's end of a line."""

    url: str

    def read(self, wait_s: float) -> bytes:
        """What has come, after at most `wait_s` of waiting."""

    def write(self, data: bytes) -> None:
        """Send what fits."""

    def close(self) -> None:
        """Unplug it."""


class PtyWire:
    """A pseudo terminal. It outlives the programs that open it."""

    def __init__(self) -> None:
        import tty

        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.url = os.ttyname(slave)
        # With no end of our own open, the kernel tells us when nobody has the port.
        os.close(slave)
        os.set_blocking(self._master, False)
        self._poll = select.poll()
        self._poll.register(self._master, select.POLLIN)

    def read(self, wait_s: float) -> bytes:
        """What has come, after at most `wait_s` of waiting."""
        events = self._events(1000.0 * wait_s)
        if events & select.POLLIN:
            try:
                return os.read(self._master, _MOST_READ)
            except OSError:
                # Closed between the look and the reading, which is no matter.
                return b""
        if events & select.POLLHUP:
            time.sleep(wait_s)
        return b""

    def write(self, data: bytes) -> None:
        """Send what fits, if anybody has the port."""
        if self._events(0.0) & select.POLLHUP:
            return
        try:
            os.write(self._master, data)
        except OSError:
            # Full or just closed: lost, as the head of this file says.
            return

    def close(self) -> None:
        """Unplug it."""
        os.close(self._master)

    def _events(self, wait_ms: float) -> int:
        found = self._poll.poll(wait_ms)
        return found[0][1] if found else 0


class TcpWire:
    """A TCP port of this machine for pyserial's `socket://`, one client at a time."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self._client: socket.socket | None = None
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def read(self, wait_s: float) -> bytes:
        """What has come, after at most `wait_s` of waiting."""
        watched = self._client or self._listener
        if not select.select([watched], [], [], wait_s)[0]:
            return b""
        try:
            if self._client is None:
                self._client, _ = self._listener.accept()
                self._client.setblocking(False)
                self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                return b""
            data = self._client.recv(_MOST_READ)
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """Send what fits, if there is a client."""
        if self._client is None:
            return
        try:
            self._client.send(data)
        except BlockingIOError:
            return
        except OSError:
            self._hang_up()

    def close(self) -> None:
        """Unplug it."""
        self._hang_up()
        self._listener.close()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


def open_wire(*, tcp: bool) -> Wire:
    """A pty, or TCP where that is asked for or there is no pty. Raises LinkError."""
    try:
        return TcpWire() if tcp or not hasattr(os, "openpty") else PtyWire()
    except OSError as error:
        raise LinkError(f"no port for the simulated board: {error.strerror}") from error


def serve(
    board: Board,
    wire: Wire,
    ended: Callable[[], bool],
    *,
    pace: float = 1.0,
    events: deque[str] | None = None,
) -> None:
    """Serve until `ended` says so. Board time runs `pace` times as fast as the steady clock.

    `events` are what hands do at the stand, as they come.
    """
    owed_s, last_s = 0.0, time.monotonic()
    while not ended():
        while events:
            _let_happen(board, events.popleft())
        heard = wire.read(SLICE_S)
        if heard:
            board.receive(heard)
        now_s = time.monotonic()
        owed_s = min(owed_s + now_s - last_s, MOST_BEHIND_S)
        last_s = now_s
        if heard or owed_s >= SLICE_S:
            # A slice at a time, so that a command never waits behind a long catch-up.
            slice_s = min(owed_s, 2.0 * SLICE_S)
            owed_s -= slice_s
            said = board.advance(slice_s * pace)
            if said:
                wire.write(said)


def _let_happen(board: Board, event: str) -> None:
    try:
        board.happen(event)
    except SettingsError as error:
        print(f"rig: {plain(str(error))}", file=sys.stderr)


def input_ends(events: deque[str] | None = None) -> Callable[[], bool]:
    """Whether whoever holds our input's pipe has closed it; the end of no other input counts.

    Lines of a pipe or a terminal are put into `events`.
    """
    ended = threading.Event()
    if sys.stdin is None:
        return ended.is_set
    descriptor = sys.stdin.fileno()
    is_pipe = stat.S_ISFIFO(os.fstat(descriptor).st_mode)
    if not is_pipe and not os.isatty(descriptor):
        return ended.is_set

    def watch() -> None:
        rest = b""
        # Read past the buffered layer, whose lock a thread may not hold at our exit.
        with contextlib.suppress(OSError):  # a terminal that is not ours to read
            while data := os.read(descriptor, 4096):
                *lines, rest = (rest[-4096:] + data).split(b"\n")
                if events is not None:
                    events.extend(line.decode("utf-8", "replace").strip() for line in lines)
        if is_pipe:
            ended.set()

    threading.Thread(target=watch, daemon=True).start()
    return ended.is_set
