"""The recorder as a process: how it comes to an end, and what cannot disturb it."""

from __future__ import annotations

import dataclasses
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest import mock

import pytest

from rig import headless
from rig.captures.capture import read_meta
from rig.errors import DISK_REFUSED, LINK_LOST, LinkError
from rig.recorder import handle
from rig.recorder.handle import Message, Recorder
from rig.recorder.holding import held
from rig.recorder.messages import Ended, Event, Plan, Snapshot, StopRun
from rig.simulator.board import Board, demo_board
from rig.simulator.process import SimulatedBoard
from rig.simulator.serve import TcpWire, serve
from rig.stand.settings import demo_stand, stand_to_dict

RIG = [sys.executable, "-m", "rig.cli"]
MARRAM = str(Path(__file__).parents[2] / "rig" / "stand" / "marram.toml")


def planned(port: str, journal: Path, seconds: float = 60.0) -> Plan:
    stand = demo_stand()
    beginning = {"setup": "test", "run": 1, "stand": stand_to_dict(stand)}
    return Plan(stand, port, journal, beginning, throttle=((50.0, seconds),), soak_s=0.1)


class Run:
    """A recorder on a port, and what it says."""

    def __init__(self, plan: Plan) -> None:
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self.said: list[str] = []
        self.recorder = Recorder(plan, self.messages.put)

    def until(self, state: str) -> None:
        """Listen until the run is in this state."""
        while True:
            message = self.messages.get(timeout=20.0)
            assert not isinstance(message, Ended), message
            if isinstance(message, Event):
                self.said.append(message.text)
            elif isinstance(message, Snapshot) and message.state == state:
                return

    def end(self) -> Ended:
        """Listen until the last word."""
        while not isinstance(message := self.messages.get(timeout=30.0), Ended):
            if isinstance(message, Event):
                self.said.append(message.text)
        return message


def within(seconds: float, condition: Callable[[], object]) -> float:
    """Wait for something to become true; how long it took."""
    began_s = time.monotonic()
    while not condition():
        assert time.monotonic() - began_s < seconds, "what was waited for did not come in time"
        time.sleep(0.005)
    return time.monotonic() - began_s


class Served:
    """A simulated board in this process, on TCP, whose cable can be pulled."""

    def __init__(self, **changes: object) -> None:
        self.board: Board = demo_board(seed=2, **changes)
        self.wire = TcpWire()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        serve(self.board, self.wire, self._over.is_set)

    def pull_cable(self) -> None:
        """The connection breaks; the next one is taken."""
        client = self.wire._client
        assert client is not None
        client.shutdown(2)

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self.wire.close()


@pytest.fixture
def served() -> Iterator[Served]:
    made = Served()
    yield made
    made.close()


@pytest.fixture(autouse=True)
def _state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def test_it_ends_by_itself_while_its_parent_still_holds_the_pipe(tmp_path: Path) -> None:
    heard: list[Message] = []
    plan = Plan(demo_stand(), str(tmp_path / "no port"), tmp_path / "x.journal", {}, seconds=1.0)
    assert Recorder(plan, heard.append).wait(20.0) == LINK_LOST
    assert [type(message) for message in heard] == [Ended]
    assert not list(tmp_path.glob("*.journal")), "a run that cannot begin leaves nothing behind"


# One motor, one program


def test_a_second_program_is_refused_with_who_holds_the_port(
    tmp_path: Path, served: Served
) -> None:
    first = Run(planned(served.wire.url, tmp_path / "a.journal", 6.0))
    first.until("running")
    second = Run(planned(served.wire.url, tmp_path / "b.journal"))
    refused = second.end()
    assert refused.exit_code == LINK_LOST
    assert f"process {first.recorder.process.pid}, rig run, setup 'test'" in refused.cause
    checked = subprocess.run(
        [*RIG, "verify-board", "--port", served.wire.url.upper().replace("SOCKET", "socket"),
         "--supply-off"], capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.returncode == LINK_LOST
    assert f"process {first.recorder.process.pid}" in checked.stderr
    assert first.end().outcome == "done"


def test_a_port_is_held_under_each_of_its_names_and_freed_with_its_holder(tmp_path: Path) -> None:
    port, other = tmp_path / "port", tmp_path / "by-id"
    port.touch()
    other.symlink_to(port)
    with held(str(port), "one"):
        with pytest.raises(LinkError, match=f"process {os.getpid()}, one"), held(str(other), "two"):
            pass
        with held(str(tmp_path / "another"), "two"):
            pass
    with held(str(other), "three"):
        pass


@pytest.mark.long
def test_fifty_second_programs_never_disturb_the_first(tmp_path: Path) -> None:
    with SimulatedBoard() as board:
        first = Run(planned(board.url, tmp_path / "a.journal", 45.0))
        first.until("running")
        for number in range(50):
            refused = Run(planned(board.url, tmp_path / f"b{number}.journal")).end()
            assert refused.exit_code == LINK_LOST
            assert "holds the port" in refused.cause
        first.recorder.tell(StopRun())
        ended = first.end()
    outcome = headless.conclude(ended)
    assert outcome.outcome == "operator"
    assert outcome.capture is not None
    assert read_meta(outcome.capture).statistics["lost"] == 0


def test_two_runs_of_the_same_second_keep_a_journal_and_a_capture_each(tmp_path: Path) -> None:
    with SimulatedBoard() as one, SimulatedBoard() as two:
        runs = [Run(planned(board.url, tmp_path / "same.journal", 1.0)) for board in (one, two)]
        outcomes = [headless.conclude(run.end()) for run in runs]
    assert [outcome.outcome for outcome in outcomes] == ["done", "done"]
    captures = {outcome.capture for outcome in outcomes}
    assert len(captures) == 2
    for capture in captures:
        assert capture is not None
        assert read_meta(capture).statistics["lost"] == 0
    assert not list(tmp_path.glob("*.journal"))


# A stop that nothing delays


def front(plan_port: str, folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*RIG, "run", "--setup", "a", "--throttle", "50:60", "--soak", "0.1", "--headless",
         "--port", plan_port, "--stand", MARRAM, "--out", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_a_front_that_is_stopped_stops_the_motor_and_makes_the_capture_when_it_goes_on(
    tmp_path: Path, served: Served
) -> None:
    program = front(served.wire.url, tmp_path)
    within(20.0, lambda: served.board.truth.driven)
    program.send_signal(signal.SIGSTOP)
    took_s = within(5.0, lambda: not served.board.truth.driven)
    assert took_s < 1.0
    # Long enough for more messages than its pipe holds.
    time.sleep(4.0)
    program.send_signal(signal.SIGCONT)
    output, errors = program.communicate(timeout=30)
    assert program.returncode == 3, errors
    assert "stood still" in output
    assert "NOBODY" not in errors + output
    (capture,) = tmp_path.glob("*.parquet")
    assert read_meta(capture).outcome == "front lost"


def test_a_recorder_that_hangs_is_said_within_two_seconds(tmp_path: Path, served: Served) -> None:
    program = front(served.wire.url, tmp_path)
    within(20.0, lambda: served.board.truth.driven)
    found = subprocess.run(
        ["ps", "-o", "pid=,args=", "--ppid", str(program.pid)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    recorder = next(int(r.split()[0]) for r in found.stdout.splitlines() if "rig.recorder" in r)
    os.kill(recorder, signal.SIGSTOP)
    began_s = time.monotonic()
    assert program.stderr is not None
    while "NOTHING FROM THE RECORDER" not in program.stderr.readline():
        assert time.monotonic() - began_s < 5.0
    assert time.monotonic() - began_s < 2.0
    within(1.0, lambda: not served.board.truth.driven)
    os.kill(recorder, signal.SIGCONT)
    output, errors = program.communicate(timeout=30)
    assert program.returncode == LINK_LOST, errors
    (capture,) = tmp_path.glob("*.parquet")
    assert read_meta(capture).outcome == "link lost", output


def patched(code: str, plan: Plan) -> Run:
    """A recorder whose process first runs `code`."""
    popen = subprocess.Popen
    program = f"import sys\n{code}\nfrom rig.recorder.__main__ import main\nsys.exit(main())\n"

    def start(_: list[str], **options: object) -> subprocess.Popen[bytes]:
        return popen([sys.executable, "-c", program], **options)  # type: ignore[call-overload,no-any-return]

    with mock.patch.object(handle.subprocess, "Popen", start):
        return Run(plan)


FAILS = """
import rig.recorder.session as s
inner = s.Session.{method}
calls = [0]
def failing(self, *rest, **named):
    calls[0] += self.state == "running"
    if calls[0] > 20: raise {error}
    return inner(self, *rest, **named)
s.Session.{method} = failing
"""


@pytest.mark.parametrize(
    ("method", "error"),
    [("on_time", "KeyError('x')"), ("_on_data", "MemoryError()"), ("snapshot", "ValueError('x')")],
)
def test_a_mistake_in_the_recorder_stops_the_motor_and_is_the_last_word(
    tmp_path: Path, served: Served, method: str, error: str
) -> None:
    code = FAILS.format(method=method, error=error)
    run = patched(code, planned(served.wire.url, tmp_path / "x.journal"))
    ended = run.end()
    assert (ended.outcome, ended.exit_code) == ("stop not seen", LINK_LOST)
    assert "the recorder failed" in ended.cause
    within(0.5, lambda: not served.board.truth.driven)
    outcome = headless.conclude(ended)
    assert outcome.capture is not None


THREAD_FAILS = """
import {module}
inner, calls = {module}.{function}, [0]
def failing(*rest):
    calls[0] += 1
    if calls[0] > {after}: raise TypeError("odd")
    return inner(*rest)
{module}.{function} = failing
"""


@pytest.mark.parametrize(
    ("module", "function", "after", "outcome"),
    [
        ("os", "fsync", 9, "disk"),
        ("pickle", "dump", 30, "front lost"),
        ("pickle", "load", 30, "front lost"),
    ],
)
def test_a_mistake_in_one_of_its_threads_stops_the_motor(
    tmp_path: Path, served: Served, module: str, function: str, after: int, outcome: str
) -> None:
    journal = tmp_path / "x.journal"
    code = THREAD_FAILS.format(module=module, function=function, after=after)
    run = patched(code, planned(served.wire.url, journal))
    within(20.0, lambda: served.board.truth.driven)
    within(10.0, lambda: not served.board.truth.driven)
    run.recorder.wait(20.0)
    said = journal.read_bytes() if journal.exists() else b""
    kept = [read_meta(path).outcome for path in tmp_path.glob("*.parquet")]
    ended = outcome.encode() in said or outcome in kept
    assert ended or run.end().outcome == outcome


def test_a_cable_that_comes_back_is_recorded_to_the_end_and_not_driven(
    tmp_path: Path, served: Served
) -> None:
    run = Run(planned(served.wire.url, tmp_path / "x.journal"))
    run.until("running")
    time.sleep(0.5)
    served.pull_cable()
    run.until("coasting")
    ended = run.end()
    assert (ended.outcome, ended.exit_code) == ("link lost", LINK_LOST)
    assert not served.board.truth.driven
    outcome = headless.conclude(ended)
    assert outcome.capture is not None
    states = [state["state"] for state in read_meta(outcome.capture).states]
    assert states[-3:] == ["stopping", "coasting", "ended"] or "unproven" in states


# Nothing vanishes


@pytest.mark.parametrize("how", ["removed", "renamed"])
def test_a_folder_that_vanishes_in_mid_run_stops_the_motor_and_the_run_is_kept(
    tmp_path: Path, served: Served, how: str
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    run = Run(planned(served.wire.url, folder / "x.journal"))
    run.until("running")
    if how == "removed":
        shutil.rmtree(folder)
    else:
        folder.rename(tmp_path / "elsewhere")
    took_s = within(5.0, lambda: not served.board.truth.driven)
    assert took_s < 1.5
    ended = run.end()
    assert (ended.outcome, ended.exit_code) == ("disk", DISK_REFUSED)
    assert ended.journal is not None
    assert str(ended.journal) in ended.cause
    outcome = headless.conclude(ended)
    assert outcome.capture is not None
    assert outcome.capture.is_relative_to(tmp_path / "state")
    meta = read_meta(outcome.capture)
    assert meta.outcome == "disk"
    assert meta.statistics["lost"] == 0
    assert meta.states[0]["state"] == "ready"


def test_the_front_is_not_troubled_by_orders_after_the_end(tmp_path: Path) -> None:
    plan = dataclasses.replace(planned("nowhere", tmp_path / "x.journal"), port="/dev/nothing")
    run = Run(plan)
    run.end()
    run.recorder.wait(10.0)
    for _ in range(3):
        run.recorder.tell(StopRun())
