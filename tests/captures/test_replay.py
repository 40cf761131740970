"""Recorded runs once more through limits: those they had, and others."""

from __future__ import annotations

import dataclasses
import io
import json
import shutil
from pathlib import Path

import pytest

from rig import bench
from rig.captures.capture import Meta, load, read_meta
from rig.captures.convert import recalibrate
from rig.captures.replay import replay
from rig.cli import main
from rig.demo import cautious
from rig.limits import try_limits
from rig.stand.model import Level, Stand
from rig.stand.settings import demo_stand, stand_from_dict
from rig.stand.watches import Alarm
from rig.vocabulary import GUARDED

ROOT = Path(__file__).parents[2]
SAMPLES = sorted((ROOT / "sample_captures").glob("*.parquet"))
TRIPPED = next(path for path in SAMPLES if "_trip_" in path.name)
DONE = [path for path in SAMPLES if path != TRIPPED]


def limited(path: Path, trip_a: float) -> Stand:
    """The stand of a capture with another over-current limit."""
    stand = stand_from_dict(read_meta(path).stand)
    levels = dict(stand.limits.levels) | {"current": Level(trip_over=trip_a, hold_s=0.02)}
    limits = dataclasses.replace(stand.limits, levels=tuple(levels.items()), overcurrent=None)
    return dataclasses.replace(stand, limits=limits)


def trips(alarms: tuple[Alarm, ...]) -> list[Alarm]:
    return [alarm for alarm in alarms if alarm.severity == "trip"]


def test_a_run_that_tripped_trips_again_at_the_same_moment() -> None:
    (again,) = trips(replay(TRIPPED).alarms)
    (recorded,) = (alarm for alarm in load(TRIPPED).meta.alarms if alarm["severity"] == "trip")
    assert (again.quantity, again.cause, again.limit) == ("current_a", "over", 15.0)
    line_s = load(TRIPPED).frame["time_s"].diff().median()
    assert again.time_s == pytest.approx(recorded["time_s"], abs=2.1 * line_s)


def test_a_higher_limit_would_not_have_stopped_it() -> None:
    assert replay(TRIPPED, limited(TRIPPED, 20.0)).alarms == ()


@pytest.mark.parametrize("path", DONE, ids=lambda path: path.stem)
def test_runs_that_were_done_give_nothing_by_their_own_limits_and_a_trip_by_a_low_one(
    path: Path,
) -> None:
    assert replay(path).alarms == ()
    (trip,) = trips(replay(path, limited(path, 20.0)).alarms)
    frame = load(path).frame
    held = frame[(frame["current_a"] > 20.0) & frame["phase"].isin(GUARDED)]["time_s"]
    assert held.iloc[0] + 0.019 < trip.time_s
    assert frame["current_a"][frame["time_s"] == trip.time_s].item() > 20.0


def test_what_is_beyond_a_limit_at_rest_is_not_armed() -> None:
    stand = limited(DONE[0], 20.0)
    levels = dict(stand.limits.levels) | {"motor": Level(trip_over=5.0, hold_s=2.0)}
    limits = dataclasses.replace(stand.limits, levels=tuple(levels.items()))
    found = replay(DONE[0], dataclasses.replace(stand, limits=limits))
    assert not found.arms
    (alarm,) = found.alarms
    frame = load(DONE[0]).frame
    assert alarm.quantity == "motor_degc"
    assert alarm.time_s == frame["time_s"][frame["phase"] == "ready"].max()


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("faults", "limit_a"),
    [((), 15.0), (("overheat@0.5",), None), (("drop@1.0",), None), ((), None)],
    ids=["over-current", "overheat", "lines dropped", "nothing"],
)
def test_a_simulated_run_gives_the_alarms_it_had(
    faults: tuple[str, ...], limit_a: float | None, seed: int, tmp_path: Path
) -> None:
    stand = demo_stand() if limit_a is None else cautious(demo_stand())
    wanted = bench.Request(
        setup="early", simulated=True, throttle=("70:4",), soak_s=0.2, folder=tmp_path,
        seed=seed, fast=True, faults=faults,
    )  # fmt: skip
    capture = bench.run_once(wanted, stand=stand, out=io.StringIO()).capture
    assert capture is not None
    recorded = load(capture).meta.alarms
    found = replay(capture).alarms
    assert [(a.severity, a.quantity, a.cause, a.text) for a in found] == [
        (a["severity"], a["quantity"], a["cause"], a["text"]) for a in recorded
    ]
    assert [a.time_s for a in found] == pytest.approx([a["time_s"] for a in recorded], abs=0.005)
    assert bool(found) == bool(limit_a or "overheat@0.5" in faults)


def test_the_longest_run_and_a_silence_are_judged_by_the_boards_time() -> None:
    stand = limited(DONE[0], 90.0)
    short = dataclasses.replace(stand.limits, longest_run_s=2.0)
    found = replay(DONE[0], dataclasses.replace(stand, limits=short)).alarms
    frame = load(DONE[0]).frame
    began_s = frame["time_s"][frame["phase"] == "running"].iloc[0]
    assert [(a.severity, a.cause) for a in found] == [
        ("warning", "longest run"),
        ("trip", "longest run"),
    ]
    assert found[1].time_s - began_s == pytest.approx(2.0, abs=0.01)
    stale = dataclasses.replace(stand.limits, stale_s=0.0001)
    (alarm,) = replay(DONE[0], dataclasses.replace(stand, limits=stale)).alarms
    assert (alarm.severity, alarm.cause) == ("trip", "stale")


def test_each_run_counts_once_with_times_as_rig_show_has_them(tmp_path: Path) -> None:
    shutil.copy(TRIPPED, tmp_path / "a.parquet")
    recalibrate(TRIPPED, limited(TRIPPED, 90.0), tmp_path / "b.parquet", "2026-11-26T00:00:00Z")
    trial = try_limits([tmp_path])
    (run,) = trial.runs
    assert run.path.name == "b.parquet"
    assert "a.parquet" in trial.left_out[0]
    meta: Meta = run.meta
    recorded = [alarm["time_s"] for alarm in meta.alarms]
    assert run.as_dict()["recorded"]["alarms"][0]["time_s"] == recorded[0] - run.zero_s
    assert run.zero_s > 0.0


def test_the_command(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    assert main(["limits", str(TRIPPED), str(DONE[0])]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "over the limit of" in said and "15.0 A" in said
    assert main(["limits", str(TRIPPED), "--json"]) == 0
    (run,) = json.loads(capsys.readouterr().out)["runs"]
    assert run["recorded"]["outcome"] == "tripped"
    again, had = (
        next(alarm["time_s"] for alarm in alarms if alarm["severity"] == "trip")
        for alarms in (run["alarms"], run["recorded"]["alarms"])
    )
    assert again == pytest.approx(had, abs=0.02)

    assert main(["limits", str(tmp_path)]) == 2
    assert "no capture is there" in capsys.readouterr().err
    other = tmp_path / "other.toml"
    text = (ROOT / "rig" / "stand" / "marram.toml").read_text()
    other.write_text(text.replace('board_label = "shunt"', 'board_label = "elsewhere"'))
    assert other.read_text() != text
    assert main(["limits", str(TRIPPED), "--stand", str(other)]) == 2
    said = capsys.readouterr().err
    assert "elsewhere" in said and "Traceback" not in said
