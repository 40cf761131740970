"""The port, read over a real pseudo-terminal."""

from __future__ import annotations

import fcntl
import os
import struct
import sys
import tty

import pytest

from rig.recorder.link import EMPTY_READS, Link, keep_others_out


def test_one_read_without_data_is_no_closed_line_and_several_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pseudo-terminal was seen to announce data and to have none, once, while it was open."""
    master, slave = os.openpty()
    tty.setraw(slave)
    link = Link(os.ttyname(slave), 115_200)
    real = os.read
    empty = [True]
    monkeypatch.setattr(os, "read", lambda *a: b"" if empty[0] else real(*a))
    os.write(master, b"hello")
    assert link.read(1.0) == b""
    empty[0] = False
    assert link.read(1.0) == b"hello"
    empty[0] = True
    os.write(master, b"again")
    with pytest.raises(OSError, match="closed the line"):
        for _ in range(EMPTY_READS):
            link.read(1.0)
    link.close()
    for descriptor in (master, slave):
        os.close(descriptor)


@pytest.mark.skipif(sys.platform != "linux", reason="asks with an ioctl of Linux")
def test_the_system_refuses_a_second_open_of_a_terminal_that_is_kept() -> None:
    """TIOCGEXCL of tty_ioctl(4): 1 after TIOCEXCL. Asked, since the superuser is not refused."""
    tiocgexcl = 0x80045440
    master, slave = os.openpty()

    def exclusive() -> int:
        return int(struct.unpack("i", fcntl.ioctl(slave, tiocgexcl, b"\0" * 4))[0])

    try:
        assert exclusive() == 0
        keep_others_out(slave)
        assert exclusive() == 1
    finally:
        os.close(master)
        os.close(slave)
