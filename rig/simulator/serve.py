"""A simulated board on a port: a pty where the system has them, TCP elsewhere.

The board's time follows the steady clock. Nothing here waits for a reader: what does not fit
is dropped, as by a cable that nobody listens to.
"""

from __future__ import annotations

import os
import select
import socket
import sys
import time
from typing import Protocol, TextIO

from rig.simulator.board import Board

SLICE_S = 0.001
MOST_BEHIND_S = 0.5
"""After a pause of the machine, time is given up rather than caught up beyond this."""


class Wire(Protocol):
    """One end of a line."""

    url: str

    def read(self, wait_s: float) -> bytes:
        """What has come, waiting at most `wait_s`."""

    def write(self, data: bytes) -> None:
        """Send what fits."""

    def close(self) -> None:
        """Unplug it."""


class PtyWire:
    """A pseudo terminal. It outlives the programs that open it."""

    def __init__(self) -> None:
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = os.ttyname(self._slave)

    def read(self, wait_s: float) -> bytes:
        """What has come, waiting at most `wait_s`."""
        if not select.select([self._master], [], [], wait_s)[0]:
            return b""
        try:
            return os.read(self._master, 65536)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """Send what fits."""
        try:
            os.write(self._master, data)
        except BlockingIOError:
            return

    def close(self) -> None:
        """Unplug it."""
        os.close(self._master)
        os.close(self._slave)


class TcpWire:
    """One TCP client at a time on this machine, for pyserial's `socket://`."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self._client: socket.socket | None = None
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def read(self, wait_s: float) -> bytes:
        """What has come, waiting at most `wait_s`."""
        watched = self._client or self._listener
        if not select.select([watched], [], [], wait_s)[0]:
            return b""
        if self._client is None:
            self._client, _ = self._listener.accept()
            self._client.setblocking(False)
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return b""
        try:
            data = self._client.recv(65536)
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """Send what fits."""
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


class TruthFile:
    """What was really so, beside what was sent: one CSV row per slice of board time."""

    HEAD = (
        "time_s,host_s,current_a,voltage_v,speed_rpm,motor_degc,controller_degc,pack_degc,driven\n"
    )

    def __init__(self, file: TextIO, every_s: float = 0.005) -> None:
        self._file, self._every_s, self._next_s = file, every_s, 0.0
        file.write(self.HEAD)

    def write(self, board: Board, host_s: float) -> None:
        """One row, if it is time."""
        now = board.plant.truth
        if now.time_s < self._next_s:
            return
        self._next_s = now.time_s + self._every_s
        self._file.write(
            f"{now.time_s:.6f},{host_s:.6f},{now.current_a:.5f},{now.voltage_v:.5f},"
            f"{now.speed_rpm:.3f},{now.motor_degc:.4f},{now.controller_degc:.4f},"
            f"{now.pack_degc:.4f},{int(now.driven)}\n"
        )
        self._file.flush()


def open_wire(*, tcp: bool) -> Wire:
    """A pty, or TCP where that is asked for or there is no pty."""
    return TcpWire() if tcp or not hasattr(os, "openpty") else PtyWire()


def serve(
    board: Board, wire: Wire, *, pace: float, until_closed: bool, truth: TruthFile | None
) -> None:
    """Serve until standard input ends, or until interrupted."""
    clock = time.monotonic
    behind_s, last_s = 0.0, clock()
    while not (until_closed and _input_ended()):
        heard = wire.read(SLICE_S)
        if heard:
            board.receive(heard)
        now_s = clock()
        behind_s = min(behind_s + (now_s - last_s) * pace, MOST_BEHIND_S * pace)
        last_s = now_s
        if behind_s >= SLICE_S:
            said = board.advance(behind_s)
            behind_s = 0.0
            if said:
                wire.write(said)
            if truth is not None:
                truth.write(board, now_s)


def _input_ended() -> bool:
    """Whether whoever started us has closed our input (a pipe; a terminal never ends)."""
    if os.name != "posix":
        return False
    descriptor = sys.stdin.fileno()
    if not select.select([descriptor], [], [], 0.0)[0]:
        return False
    return os.read(descriptor, 4096) == b""
