"""A terminal written to without ever waiting for it.

A slow terminal (a serial console, a line over radio) takes fewer bytes a second than the screen
has to say, and one that is stopped takes none. Whoever waits for it hears no key meanwhile.
"""

from __future__ import annotations

import contextlib
import os
import select
import termios
import time

TAKES_LEAVE_S = 0.5
"""How long a terminal may take for the last bytes, those that restore it."""

_ABORT = b"\x18"
"""CAN ends an escape sequence that was cut short: common on terminals since the VT100; from
memory."""


class Unblocked:
    """Bytes for the terminal behind `descriptor`; what it does not take at once is kept."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = _opened_again(descriptor)
        self._unsent = b""

    @property
    def is_behind(self) -> bool:
        """Whether the terminal has yet to take something."""
        return bool(self._unsent)

    def write(self, data: bytes) -> None:
        """Send `data` behind what is unsent, as far as the terminal takes it now."""
        self._unsent += data
        self.send()

    def send(self) -> None:
        """Send what the terminal takes now."""
        try:
            while self._unsent:
                self._unsent = self._unsent[os.write(self.descriptor, self._unsent) :]
        except BlockingIOError:
            return
        except OSError:
            self._unsent = b""  # the terminal is gone, which whoever reads its keys notices

    def drop(self) -> None:
        """Forget what is unsent: a picture, perhaps half of one."""
        if self._unsent:
            self._unsent = _ABORT

    def close(self) -> None:
        """Send the last bytes; of a terminal that does not take them, nothing older waits."""
        if not self._sent_within(TAKES_LEAVE_S):
            with contextlib.suppress(termios.error):
                termios.tcflush(self.descriptor, termios.TCOFLUSH)
            self._unsent = _ABORT + self._unsent
            self.send()
        self._unsent = b""
        os.close(self.descriptor)

    def _sent_within(self, seconds: float) -> bool:
        ends_s = time.monotonic() + seconds
        while self._unsent and (left_s := ends_s - time.monotonic()) > 0.0:
            select.select([], [self.descriptor], [], left_s)
            self.send()
        return not self._unsent


def _opened_again(descriptor: int) -> int:
    """The same terminal, opened anew: not to wait is then not forced upon the shell's own."""
    how = os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK
    for name in (_name_of(descriptor), "/dev/tty"):
        try:
            return os.open(name, how)
        except OSError:
            continue
    return os.dup(descriptor)


def _name_of(descriptor: int) -> str:
    try:
        return os.ttyname(descriptor)
    except OSError:
        return ""
