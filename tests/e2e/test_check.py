"""`rig check --turn` as a tester runs it: a real terminal, a pty to the board, real signals."""

from __future__ import annotations

import json
import os
import re
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rig import stop_proof
from rig.simulator.process import SimulatedBoard
from tests.e2e.terminal import Terminal
from tests.e2e.test_commands import driven, rig, until
from tests.ports import wait_until_free

MARRAM = Path(__file__).parents[2] / "rig" / "stand" / "marram.toml"


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


@contextmanager
def checking(truth: Path) -> Iterator[tuple[SimulatedBoard, Terminal]]:
    """A board, and the check in a terminal, before its first word."""
    with SimulatedBoard([f"--truth={truth}", "--seed=3"]) as board:
        board.happen("supply off")
        terminal = Terminal(
            [sys.executable, "-m", "rig.cli", "check", "--turn", "--port", board.url,
             "--stand", str(MARRAM), "--propeller", "on", "--stop-input"], 100, 120,
        )  # fmt: skip
        try:
            terminal.wait_for("Type 'off'")
            yield board, terminal
        finally:
            if terminal.process.poll() is None:
                terminal.process.kill()
                terminal.process.wait()
            # A recorder that still waits for the board would open the next test's terminal.
            wait_until_free(board.url)


def by_hand(board: SimulatedBoard, terminal: Terminal) -> None:
    """Part 1, as it should be."""
    terminal.press("off\n")
    terminal.wait_for(">>> Turn")
    for _ in range(3):
        board.happen("turn")
    terminal.wait_for("Type 'clear'")


def into_a_drive(board: SimulatedBoard, terminal: Terminal, truth: Path) -> None:
    by_hand(board, terminal)
    board.happen("supply on")
    terminal.press("clear\n")
    until(lambda: terminal.text() and driven(truth))


def test_enter_alone_is_no_word(tmp_path: Path) -> None:
    truth = tmp_path / "truth.csv"
    with checking(truth) as (_, terminal):
        terminal.press("\n")
        assert terminal.until_over() == 2
        assert "not confirmed: nothing was done" in terminal.text()
    assert not re.search(r",1$", truth.read_text(), re.MULTILINE)


@pytest.mark.long
def test_a_tester_proves_the_stop_and_the_runs_that_follow_know(tmp_path: Path) -> None:
    truth = tmp_path / "truth.csv"
    with checking(truth) as (board, terminal):
        by_hand(board, terminal)
        assert "good          turns: 3 by hand" in terminal.text()
        board.happen("supply on")
        terminal.press("clear\n")
        terminal.wait_for(">>> Press")
        assert driven(truth)
        board.happen("button")
        assert terminal.until_over() == 0, terminal.text()
        said = terminal.text()
        assert all(f"proven        {way}:" in said for way in stop_proof.WAYS)
        run = [
            "run", "--headless", "--json", "--setup", "early", "--throttle", "30:0.5", "--soak",
            "0", "--port", board.url, "--out", str(tmp_path / "captures"),
        ]  # fmt: skip
        done = rig(*run, "--stand", MARRAM)
        assert "NOT PROVEN" not in done.stderr
        shown = rig("show", json.loads(done.stdout)["capture"]).stdout
        assert re.search(r"stop proven .* silence \d+ ms", shown)
        changed = tmp_path / "stand.toml"
        changed.write_text(MARRAM.read_text().replace("trip_over = 100.0", "trip_over = 99.0", 1))
        done = rig(*run, "--stand", changed)
        assert done.stderr.startswith("THE STOP IS NOT PROVEN: stand.toml was changed")


def gone(terminal: Terminal) -> None:
    terminal.process.send_signal(signal.SIGKILL)


def closed(terminal: Terminal) -> None:
    os.close(terminal.master)


def stood_still(terminal: Terminal) -> None:
    terminal.process.send_signal(signal.SIGSTOP)


@pytest.mark.long
@pytest.mark.parametrize("happens", [gone, closed, stood_still])
def test_a_drive_that_nobody_watches_is_stopped(
    tmp_path: Path, happens: Callable[[Terminal], None]
) -> None:
    truth = tmp_path / "truth.csv"
    with checking(truth) as (board, terminal):
        into_a_drive(board, terminal, truth)
        began_s = time.monotonic()
        happens(terminal)
        until(lambda: not driven(truth))
        took_s = time.monotonic() - began_s
        print(f"{happens.__name__}: the motor is off after {took_s:.2f} s")
        assert took_s < 2.0


@pytest.mark.long
def test_ctrl_c_stops_the_motor_and_ends_the_check(tmp_path: Path, state: Path) -> None:
    truth = tmp_path / "truth.csv"
    with checking(truth) as (board, terminal):
        into_a_drive(board, terminal, truth)
        terminal.press("\x03")
        until(lambda: not driven(truth))
        assert terminal.until_over() == 3
        assert "operator: the operator stopped the run" in terminal.text()
    assert not list(state.glob("rig/stop_proofs/*")), "a check that was broken off says nothing"
