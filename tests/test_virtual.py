"""Simulated runs in a time of their own."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import pytest

from rig import bench, virtual
from rig.captures.capture import load
from rig.errors import SettingsError
from rig.headless import Printer
from rig.recorder.messages import StopRun
from rig.report.runs import description_lines
from rig.simulator.board import demo_board
from rig.simulator.settings import Settings


def request(folder: Path, **changes: object) -> bench.Request:
    made = bench.Request(
        setup="early", simulated=True, throttle=("60:2",), soak_s=0.5, folder=folder, seed=4,
        fast=True,
    )  # fmt: skip
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def test_a_fast_run_is_a_whole_run_by_its_own_clock(tmp_path: Path) -> None:
    out = io.StringIO()
    outcome = bench.run_once(request(tmp_path), out=out)
    assert (outcome.outcome, outcome.exit_code) == ("done", 0)
    assert outcome.capture is not None and outcome.journal is None
    capture = load(outcome.capture)
    assert capture.meta.statistics["lost"] == 0
    assert (capture.frame["sequence"].diff().dropna() == 1).all()
    running = capture.frame[capture.frame["phase"] == "running"]["time_s"]
    assert running.iloc[-1] - running.iloc[0] == pytest.approx(2.0, abs=0.05)
    assert len(capture.frame) == pytest.approx(Settings().line_hz * capture.meta.seconds, abs=5)
    assert "running" in out.getvalue()


def test_the_same_seed_gives_the_same_readings(tmp_path: Path) -> None:
    captures = [bench.run_once(request(tmp_path), out=io.StringIO()).capture for _ in range(2)]
    first, again = (load(capture).frame for capture in captures if capture is not None)
    assert first["shunt_count"].equals(again["shunt_count"])
    assert first["tick"].equals(again["tick"])


def test_without_a_seed_no_run_repeats_another_and_the_capture_has_its_seed(tmp_path: Path) -> None:
    outcomes = [
        bench.run_once(request(tmp_path, seed=None, throttle=("60:1",)), out=io.StringIO())
        for _ in range(2)
    ]
    first, other = (load(each.capture) for each in outcomes if each.capture is not None)
    assert not first.frame["shunt_count"].equals(other.frame["shunt_count"])
    seed = first.meta.plan["seed"]
    assert seed != other.meta.plan["seed"]
    assert f"simulated, seed {seed}" in description_lines(first.meta)
    wanted = request(tmp_path, seed=seed, throttle=("60:1",))
    again = bench.run_once(wanted, out=io.StringIO()).capture
    assert again is not None
    assert load(again).frame["shunt_count"].equals(first.frame["shunt_count"])


def test_a_seed_is_for_simulated_boards(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="--seed are for --simulated"):
        bench.run_once(request(tmp_path, simulated=False, fast=False), out=io.StringIO())


def test_faults_and_limits_act_as_they_do_in_real_time(tmp_path: Path) -> None:
    wanted = request(tmp_path, faults=("overheat@0.5",), throttle=("60:9",))
    outcome = bench.run_once(wanted, out=io.StringIO())
    assert (outcome.outcome, outcome.exit_code) == ("tripped", 3)


def test_nothing_real_is_fast(tmp_path: Path) -> None:
    for changes in ({"simulated": False}, {"simulated": False, "port": "/dev/ttyACM0"}):
        with pytest.raises(SettingsError, match="real time"):
            bench.run_once(request(tmp_path, **changes), out=io.StringIO())


def test_its_time_passes_only_while_somebody_waits_for_it() -> None:
    stand = virtual.VirtualStand(demo_board(), Printer(io.StringIO(), False, lambda _: None))
    stand.waiting.append(StopRun())
    assert stand.now_s == 0.0
    assert stand.read(0.01)
    before_s = stand.now_s
    stand.pause(0.5)
    assert stand.now_s == pytest.approx(before_s + 0.5)
