"""The served board over real ports: pty and TCP, through pyserial, as processes of their own."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.records import Answer, Cut, Data, Hello, Record, Status
from rig.simulator.board import demo_board
from rig.simulator.serve import TcpWire, open_wire

PATIENCE_S = 20.0
PORTS = [(), ("--tcp",)] if hasattr(os, "openpty") else [("--tcp",)]
"""Options for each kind of port that this system has."""


@contextmanager
def served(*options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A board in a process of its own, and its URL."""
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "rig.simulator", *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        yield process, process.stdout.readline().strip()
    finally:
        process.stdin.close()
        process.wait(PATIENCE_S)
        process.stdout.close()


class Caller:
    """A host on a real port."""

    def __init__(self, url: str) -> None:
        self.port = serial.serial_for_url(url, baudrate=115_200, timeout=0.05)
        self.records: list[Record] = []
        self._decoder = Decoder()

    def until(self, wanted: Callable[[Record], bool]) -> Record:
        """The first record from now on that is `wanted`."""
        found: list[Record] = []
        deadline_s = time.monotonic() + PATIENCE_S
        while not found:
            assert time.monotonic() < deadline_s, "it did not come"
            new = self._decoder.feed(self.port.read(max(self.port.in_waiting, 1)))
            self.records += new
            found = [record for record in new if wanted(record)]
        return found[0]

    def tell(self, command: commands.Command, number: int) -> Answer:
        """Tell `command`; its answer."""
        self.port.write(commands.line(command, number))
        answer = self.until(lambda r: isinstance(r, Answer) and r.number == number)
        assert isinstance(answer, Answer)
        return answer

    def arm_and_drive(self) -> Hello:
        """From hello to a driven motor."""
        self.tell(commands.AskHello(), 1)
        hello = [r for r in self.records if isinstance(r, Hello)][-1]
        assert self.tell(commands.Arm(hello.boot), 2).accepted
        assert self.tell(commands.Throttle(500), 3).accepted
        return hello


def is_driven(truth: Path) -> bool:
    """By the newest whole row of a truth file that is still being written."""
    *whole, _ = truth.read_text().split("\n")
    return len(whole) > 1 and whole[-1].endswith(",1")


def wait_for(condition: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline_s, "it did not happen"
        time.sleep(0.02)


@pytest.mark.parametrize("options", PORTS)
def test_a_run_through_pyserial(options: tuple[str, ...]) -> None:
    with served(*options) as (_, url):
        assert url.startswith("socket://") or not options
        caller = Caller(url)
        caller.arm_and_drive()
        caller.port.write(commands.stop_lines(4))
        caller.until(lambda r: isinstance(r, Answer) and r.number == 4)
        assert [r.cause for r in caller.records if isinstance(r, Cut)] == ["stop"]
        caller.until(lambda r: isinstance(r, Data) and bool(r.status & Status.CUT))
        caller.port.close()


def test_a_thousand_lines_a_second_come_whole() -> None:
    with served("--lines=1000") as (_, url):
        caller = Caller(url)
        first = caller.until(lambda r: isinstance(r, Data))
        assert isinstance(first, Data)
        last = first.sequence + 1500
        caller.until(lambda r: isinstance(r, Data) and r.sequence >= last)
        sequences = [r.sequence for r in caller.records if isinstance(r, Data)]
        assert sequences == list(range(first.sequence, first.sequence + len(sequences)))
        caller.port.close()


@pytest.mark.parametrize("options", PORTS)
def test_the_port_can_be_closed_and_opened_again(options: tuple[str, ...], tmp_path: Path) -> None:
    truth = tmp_path / "truth.csv"
    with served(*options, f"--truth={truth}") as (_, url):
        caller = Caller(url)
        hello = caller.arm_and_drive()
        wait_for(lambda: is_driven(truth))
        caller.port.close()
        # Nobody beats any more: the board goes on by itself, and cuts.
        wait_for(lambda: not is_driven(truth))
        again = Caller(url)
        again.tell(commands.AskHello(), 1)
        assert [r.boot for r in again.records if isinstance(r, Hello)] == [hello.boot]
        newest = again.until(lambda r: isinstance(r, Data))
        assert isinstance(newest, Data)
        assert newest.status & Status.HEARTBEAT
        again.port.close()


@pytest.mark.parametrize("options", PORTS)
def test_a_reader_that_does_not_read_holds_nothing_up(options: tuple[str, ...]) -> None:
    """20 MB are many times what a pty or a socket takes in unread."""
    wire = open_wire(tcp=bool(options))
    port = serial.serial_for_url(wire.url, timeout=0.05)
    wire.read(0.1)
    begin_s = time.monotonic()
    for _ in range(5000):
        wire.write(b"D" * 4095 + b"\n")
    assert time.monotonic() - begin_s < PATIENCE_S
    assert port.read(100) == b"D" * 100
    port.close()
    wire.close()


@pytest.mark.parametrize("way", ["SIGTERM", "SIGINT", "its input ends"])
def test_it_ends_when_told_and_leaves_nothing(way: str) -> None:
    with served("--tcp") as (process, url):
        assert process.stdin is not None
        if way == "its input ends":
            process.stdin.close()
        else:
            process.send_signal(getattr(signal, way))
        assert process.wait(PATIENCE_S) == 0
        host, port = url.removeprefix("socket://").split(":")
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((host, int(port)), timeout=PATIENCE_S)


def test_it_runs_in_the_background_without_an_input() -> None:
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "rig.simulator", "--tcp"],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    with process.stdout:
        caller = Caller(process.stdout.readline().strip())
        caller.until(lambda record: isinstance(record, Data) and record.sequence > 100)
        process.terminate()
        assert process.wait(PATIENCE_S) == 0


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (["--fault=fire"], 2, "'fire' is no fault"),
        (["--lines=0"], 2, "line_hz"),
        (["--pace=0"], 2, "--pace"),
        (["--truth=/nowhere/at/all.csv"], 5, "cannot be written"),
    ],
)
def test_mistakes_in_the_options(options: list[str], code: int, words: str) -> None:
    done = subprocess.run(
        [sys.executable, "-P", "-m", "rig.simulator", *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert (done.returncode, done.stdout) == (code, "")
    assert words in done.stderr and "Traceback" not in done.stderr


def test_tcp_serves_one_client_after_another() -> None:
    wire = TcpWire()
    host, port = wire.url.removeprefix("socket://").split(":")
    for word in (b"one\n", b"two\n"):
        client = socket.create_connection((host, int(port)), timeout=PATIENCE_S)
        client.sendall(word)
        heard = b""
        deadline_s = time.monotonic() + PATIENCE_S
        while heard != word and time.monotonic() < deadline_s:
            heard += wire.read(0.05)
        assert heard == word
        wire.write(b"heard\n")
        assert client.recv(100) == b"heard\n"
        client.close()
        assert wire.read(1.0) == b""
    wire.close()


def test_a_board_is_many_times_faster_than_real_time() -> None:
    """Some 35 times at 200 lines a second where this was written; 5 leaves room for a slow one."""
    board = demo_board()
    begin_s = time.process_time()
    board.advance(5.0)
    assert time.process_time() - begin_s < 5.0 / 5.0
