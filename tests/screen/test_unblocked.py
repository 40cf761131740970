"""The terminal that takes little or nothing: nobody waits for it, and it is restored."""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Iterator

import pytest

from rig.screen.unblocked import TAKES_LEAVE_S, Unblocked

MORE_THAN_A_PTY_HOLDS = b"x" * 1_000_000


@pytest.fixture
def pty() -> Iterator[tuple[int, int]]:
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, slave
    os.close(master)
    os.close(slave)


def read_all(master: int, size: int) -> bytes:
    read = b""
    while len(read) < size:
        read += os.read(master, 65536)
    return read


def test_what_a_terminal_does_not_take_is_kept_and_sent_in_order(pty: tuple[int, int]) -> None:
    master, slave = pty
    terminal = Unblocked(slave)
    picture = bytes(range(32, 127)) * 1000
    terminal.write(picture)
    assert terminal.is_behind
    assert os.get_blocking(slave), "the shell's own terminal is left as it was"
    read = b""
    while len(read) < len(picture):
        read += os.read(master, 65536)
        terminal.send()
    assert read == picture
    assert not terminal.is_behind


def test_a_stopped_terminal_is_left_soon_and_finds_the_last_bytes(pty: tuple[int, int]) -> None:
    master, slave = pty
    terminal = Unblocked(slave)
    terminal.write(MORE_THAN_A_PTY_HOLDS)
    terminal.drop()
    terminal.write(b"restored")
    began_s = time.monotonic()
    terminal.close()
    assert time.monotonic() - began_s < TAKES_LEAVE_S + 1.0
    left = b""
    while select.select([master], [], [], 0.0)[0]:
        left += os.read(master, 65536)
    assert left.endswith(b"\x18restored")


def test_a_terminal_that_goes_on_in_time_loses_nothing_at_the_end(pty: tuple[int, int]) -> None:
    master, slave = pty
    terminal = Unblocked(slave)
    terminal.write(MORE_THAN_A_PTY_HOLDS)
    found: list[bytes] = []
    size = len(MORE_THAN_A_PTY_HOLDS) + len(b"restored")
    reader = threading.Thread(target=lambda: found.append(read_all(master, size)))
    reader.start()
    terminal.write(b"restored")
    terminal.close()
    reader.join(10.0)
    assert found[0].endswith(b"xxrestored")


def test_a_terminal_that_is_gone_is_no_error() -> None:
    master, slave = os.openpty()
    terminal = Unblocked(slave)
    os.close(master)
    terminal.write(MORE_THAN_A_PTY_HOLDS)
    assert not terminal.is_behind
    terminal.close()
    os.close(slave)
