"""The port, read over a real pseudo-terminal."""

from __future__ import annotations

import os
import tty

import pytest

from rig.recorder.link import EMPTY_READS, Link


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
