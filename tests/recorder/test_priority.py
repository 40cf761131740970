"""The priority of the recorder's main loop: what it gets, what it says, and what bounds it."""

from __future__ import annotations

import os
import queue
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from rig.captures.journal_head import read_begin
from rig.recorder import priority
from rig.recorder.handle import Message, Recorder
from rig.recorder.messages import Ended, Plan, Snapshot, StopRun
from rig.stand.settings import demo_stand

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="Linux alone has these priorities")

REFUSED = (
    "import os\n"
    "def refuse(*_): raise PermissionError(1, 'Operation not permitted')\n"
    "os.sched_setscheduler = refuse\n"
)


def said(code: str) -> subprocess.CompletedProcess[str]:
    """`code` in a process of its own: a priority is for good."""
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)


def fifo_is_permitted() -> bool:
    return said("from rig.recorder.priority import raised; print(raised())").stdout == (
        "SCHED_FIFO\n"
    )


def test_all_threads_are_raised_and_children_are_not() -> None:
    if not fifo_is_permitted():
        pytest.skip("SCHED_FIFO is not permitted here")
    done = said(
        "import os, subprocess, sys, threading\n"
        "from rig.recorder.priority import raised\n"
        "go, policies = threading.Event(), []\n"
        "def policy(): return os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK\n"
        "def see(): go.wait(); policies.append(policy())\n"
        "before = threading.Thread(target=see); before.start()\n"
        "raised(); go.set()\n"
        "after = threading.Thread(target=see); after.start()\n"
        "before.join(); after.join()\n"
        "child = 'import os; print(os.sched_getscheduler(0))'\n"
        "policies.append(int(subprocess.check_output([sys.executable, '-c', child])))\n"
        "assert policy() == os.SCHED_FIFO, 'the main thread'\n"
        "assert os.sched_getparam(0).sched_priority == 1\n"
        "assert policies == [os.SCHED_FIFO, 0, 0] or policies == [0, os.SCHED_FIFO, 0], policies\n"
    )
    assert done.returncode == 0, done.stderr


def test_a_loop_that_goes_wild_becomes_ordinary_or_is_killed() -> None:
    if not fifo_is_permitted():
        pytest.skip("SCHED_FIFO is not permitted here")
    begin = (
        "import os\n"
        "from rig.recorder import priority\n"
        "priority.RUNS_ALONE_S, priority.KILLED_AFTER_S = 0.05, 0.15\n"
        "priority.raised()\n"
    )
    wild = said(begin + "while os.sched_getscheduler(0) & os.SCHED_FIFO: pass\n")
    assert wild.returncode == 0, "a loop that handles signals goes on as an ordinary one"
    stuck = said(begin + "sum(range(10**11))\n")
    assert stuck.returncode == -signal.SIGKILL


@pytest.mark.parametrize("refused", ["", REFUSED])
def test_what_was_got_stands_in_the_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refused: str
) -> None:
    """`host` of the journal's first line is `Meta.host` of the capture."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "sitecustomize.py").write_text(refused)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    got = said("from rig.recorder.priority import raised; print(raised())").stdout.strip()
    if refused:
        assert got in ("ordinary", "ordinary, short slice requested")
    master, slave = os.openpty()  # a port where no board speaks
    plan = Plan(demo_stand(), os.ttyname(slave), tmp_path / "x.journal", {"host": {"rig": "1"}})
    heard: queue.SimpleQueue[Message] = queue.SimpleQueue()
    recorder = Recorder(plan, heard.put)
    assert isinstance(heard.get(timeout=20.0), Snapshot)
    recorder.tell(StopRun())
    while not isinstance(message := heard.get(timeout=20.0), Ended):
        pass
    assert message.outcome != "recorder lost", message.cause
    assert read_begin(tmp_path / "x.journal")["host"] == {"rig": "1", "priority": got}
    os.close(master)
    os.close(slave)


def test_without_any_permission_nothing_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(priority, "_first", refuse)
    monkeypatch.setattr(priority, "_short_slice", refuse)
    before = os.sched_getscheduler(0)
    assert priority.raised() == "ordinary"
    assert os.sched_getscheduler(0) == before
