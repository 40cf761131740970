"""The serial port, opened by pyserial and read with as little delay as the system allows."""

from __future__ import annotations

import os
import select
from contextlib import suppress

import serial

from rig.errors import LinkError

EMPTY_READS = 5
"""So many reads without data in a row, though data were announced, are a closed line. A single one
happens on a pseudo-terminal that is open (seen a few times in thousands of runs)."""

PSEUDO_TERMINALS = "/dev/pts/"
"""A simulated board keeps its end open: the mark of `keep_others_out` would outlive us."""

WRITE_WITHIN_S = 0.05
READ_AT_MOST = 8192


def keep_others_out(descriptor: int) -> None:
    """Let the system refuse further opens of a terminal, also by programs that ask for no lock.

    It ends with the last close. Programs of the superuser are not refused (tty_ioctl(4)).
    """
    with suppress(ImportError, AttributeError, OSError):  # not on every system
        import fcntl
        import termios

        fcntl.ioctl(descriptor, termios.TIOCEXCL)


class Link:
    """An open port. `read` and `write` raise OSError when it is gone."""

    def __init__(self, port: str, baud: int) -> None:
        """Raises LinkError, with the hint that helps, when the port cannot be opened."""
        try:
            self._port = serial.serial_for_url(
                port,
                baudrate=baud,
                timeout=0.01,
                write_timeout=WRITE_WITHIN_S,
                exclusive=None if "://" in port else True,
            )
            if not port.startswith("socket:"):
                self._port.reset_input_buffer()
            if "://" not in port and not os.path.realpath(port).startswith(PSEUDO_TERMINALS):
                keep_others_out(self._port.fileno())
        except (OSError, ValueError) as error:
            raise LinkError(
                f"cannot be opened: {_reason(error)}", where=port, to_do=_hint(port, error)
            ) from error
        self._arrivals = None
        self._empty, self._is_socket = 0, port.startswith("socket:")
        if hasattr(select, "poll"):  # not on Windows
            self._descriptor = self._port.fileno()
            self._arrivals = select.poll()
            self._arrivals.register(self._descriptor, select.POLLIN)

    def read(self, wait_s: float) -> bytes:
        """What has come, after at most `wait_s` of waiting for the first byte."""
        if self._arrivals is None:
            first = self._port.read(1)
            return bytes(first + self._port.read(self._port.in_waiting)) if first else b""
        arrivals = self._arrivals.poll(1000.0 * wait_s)
        if not arrivals:
            return b""
        data = os.read(self._descriptor, READ_AT_MOST)
        if not data:
            self._empty += 1
            hung_up = arrivals[0][1] & ~select.POLLIN
            if self._is_socket or hung_up or self._empty >= EMPTY_READS:
                raise OSError("the other end has closed the line")
        elif self._empty:
            self._empty = 0
        return data

    def write(self, data: bytes) -> bool:
        """Send `data`; False when the line does not take it in time."""
        try:
            self._port.write(data)
        except serial.SerialTimeoutException:
            return False
        return True

    def close(self) -> None:
        """Give the port back."""
        self._port.close()


_HELD = "another program holds the port: close it and try again"


def _reason(error: OSError | ValueError) -> str:
    number = getattr(error, "errno", None)
    return os.strerror(number).lower() if number else ascii(str(error))[1:-1]


def _hint(port: str, error: OSError | ValueError) -> str:
    if isinstance(error, ValueError):
        return "a port is a device such as /dev/ttyACM0 or COM3, or socket://HOST:NUMBER"
    match getattr(error, "errno", None):
        case 13:
            return (
                "your account may not use serial ports: on most Linux systems, add it to "
                "the group that owns the device (often dialout), log out and in again"
            )
        case 2:
            return "is the board plugged in? `rig ports` lists the ports that are there"
        case 16 | 11:
            return _HELD
    if "exclusively lock" in str(error):  # pyserial's words where flock refused
        return _HELD
    if port.startswith("socket:"):
        return "is the simulated board still running at that address?"
    return "`rig ports` lists the ports that are there"
