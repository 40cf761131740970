"""The steady window takes in no spin-up: by the table, and from a board's lines to the answer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rig.analysis.figures import figures_of
from rig.analysis.steady import Window, last_hold_from_s, mean_over, steady_window, window_at
from rig.captures.convert import convert
from rig.errors import SettingsError
from rig.notebook import figures
from rig.protocol.framing import frame
from rig.protocol.records import Channel, Data, Hello, Status
from rig.review import compare
from rig.stand.settings import demo_stand
from rig.stand.turns import EdgeScale
from tests.captures.journals import begin, end, remark, state, told
from tests.truth.spinups import Case, hold, table

TICK_HZ = 1_000_000
READY_S = 0.5
SETTLED_RPM = 11_000.0
SETTLED_COUNT = 3686.0
"""About 30 A."""


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def test_what_the_table_promises_holds() -> None:
    assert table(small=True).broken == []


def lines(tau_s: float, hold_s: float, line_hz: int, seed: int) -> list[bytes]:
    """A run as a board with a tachometer of two marks tells it, with our remarks between."""
    random = np.random.default_rng(seed)
    step_s = 1e-3
    time_s = np.arange(0.0, READY_S + hold_s, step_s)
    course = 1.0 - np.exp(-np.maximum(time_s - READY_S, 0.0) / tau_s)
    unrest = np.convolve(random.normal(size=len(time_s)), np.ones(50) / 50.0, "same")
    rpm = SETTLED_RPM * course * (1.0 + 1e-4 * random.normal() + 0.001 * unrest)
    angle = np.cumsum(rpm) / 60.0 * step_s * 2.0
    edge_ticks = np.interp(np.arange(1, int(angle[-1]) + 1), angle, time_s) * TICK_HZ
    labels = ("shunt", "pack", "motor", "controller", "cells")
    hello = Hello(1, "bench", "1.0", 7, TICK_HZ, line_hz, frozenset("STL"), len(labels))
    made = [
        begin(setup=f"tau {tau_s:g}", utc=f"2031-05-04T09:{seed:02d}:00.000+00:00"),
        frame(hello.body()),
        *(
            frame(Channel(index, "x", label, 1024, 16, frozenset(), 0).body())
            for index, label in enumerate(labels)
        ),
        state("ready", 0.0),
    ]
    driven = False
    for row in range(int((READY_S + hold_s) * line_hz)):
        at_s = (row + 0.5) / line_hz
        if at_s >= READY_S and not driven:
            driven = True
            made += [state("running", at_s), told(frame("throttle,4,700").decode().strip(), at_s)]
        edges = int(np.searchsorted(edge_ticks, at_s * TICK_HZ, side="right"))
        edge_tick = round(edge_ticks[edges - 1]) if edges else 0
        amps = SETTLED_COUNT * np.interp(at_s, time_s, course) ** 2 * (1 + 0.003 * random.normal())
        counts = (round(amps), 8000, 7400, 7600, 7800)
        data = Data(row, round(at_s * TICK_HZ), edges, edge_tick, int(Status.ARMED), counts)
        made.append(frame(data.body()))
    return [*made, remark("mark", 9.0, {"text": "done"}), end()]


def folder(tmp_path: Path, hold_s: float, line_hz: int) -> Path:
    """Four runs of each of two setups that differ in their spin-up, and in nothing else."""
    for tau_s in (0.25, 0.35):
        for seed in range(4):
            journal = tmp_path / f"{tau_s:g}_{seed}.journal"
            journal.write_bytes(b"".join(lines(tau_s, hold_s, line_hz, seed)))
            convert(journal, stand=demo_stand())
            journal.unlink()
    return tmp_path


@pytest.mark.parametrize(("hold_s", "line_hz"), [(6.0, 10), (6.0, 20), (6.0, 100), (3.5, 50)])
def test_setups_that_differ_in_spin_up_only_show_no_change(
    tmp_path: Path, hold_s: float, line_hz: int
) -> None:
    (item,) = compare([folder(tmp_path, hold_s, line_hz)], "tau 0.25").variants
    for quantity in ("speed_rpm", "current_a"):
        change = item.change(quantity)
        assert change is not None and change.change is not None and change.ci95 is not None
        assert change.runs == (4, 4)
        low, high = change.ci95
        assert low <= 0.0 <= high
        # 2.45: t of 95 % and six degrees of freedom (any table).
        assert abs(change.change) < max(0.02, (high - low) / 2.0 / 2.45 / 3.0)


def test_times_count_from_the_hold_and_can_be_converted(tmp_path: Path) -> None:
    row = figures(folder(tmp_path, 4.0, 50)).iloc[0]
    assert row["hold_from_s"] == pytest.approx(READY_S, abs=0.02)
    assert 1.5 < row["steady_from_s"] < 2.6
    assert row["steady_to_s"] == pytest.approx(4.0, abs=0.03)


def test_a_window_outside_a_hold_is_refused_run_by_run(tmp_path: Path) -> None:
    place = folder(tmp_path, 4.0, 20)
    journal = tmp_path / "short.journal"
    journal.write_bytes(b"".join(lines(0.25, 3.0, 20, 9)))
    convert(journal, stand=demo_stand())
    found = compare([place], "tau 0.25", window_s=(2.0, 4.0))
    assert len(found.used) == 8
    assert {run.window_s for run in found.used} == {(2.0, 4.0)}
    reason = "short.parquet is left out: its last hold lasts 3.0 s, the window ends at 4 s"
    assert reason in found.warnings
    with pytest.raises(SettingsError) as error:
        compare([place], "tau 0.25", window_s=(2.0, 8.0))
    assert error.value.exit_code == 2
    assert str(error.value).count("the window ends at 8 s") == 9


def two_holds(**columns: object) -> pd.DataFrame:
    time_s = 100.0 + np.arange(0.0, 10.0, 0.1)
    settled = {"speed_rpm": 9000.0, "valid": True, "phase": "running"}
    throttle = np.where(time_s < 104.0, 40.0, 70.0)
    return pd.DataFrame({"time_s": time_s, "throttle_pct": throttle} | settled | columns)


def test_a_window_lies_in_the_last_hold() -> None:
    frame = two_holds()
    assert last_hold_from_s(frame) == pytest.approx(104.0)
    found = window_at(frame, 1.0, 6.0)
    assert isinstance(found, Window)
    assert (found.start_s, found.end_s) == pytest.approx((105.0, 110.0))
    assert window_at(frame, 1.0, 6.2) == "its last hold lasts 5.9 s, the window ends at 6.2 s"
    assert window_at(two_holds(phase="ready"), 1.0, 2.0) == "it has no throttle hold"


def test_a_throttle_that_is_not_known_for_a_while_begins_no_hold() -> None:
    throttle = np.full(100, 70.0)
    throttle[:5] = throttle[50:60] = np.nan
    assert last_hold_from_s(two_holds(throttle_pct=throttle)) == pytest.approx(100.0)


def test_what_is_left_of_a_spin_up_is_not_in_the_mean() -> None:
    # numpy's own least squares of level and exponential.
    random = np.random.default_rng(3)
    time_s = np.linspace(10.0, 11.5, 150)
    shape = np.exp(-(time_s - 10.0) / 0.5)
    values = 30.0 - 2.0 * shape + 0.1 * random.normal(size=150)
    basis = np.column_stack([np.ones(150), shape])
    error = 0.1 * np.sqrt(np.linalg.inv(basis.T @ basis)[0, 0])
    values[7], known = np.nan, np.arange(150) != 7
    level = np.linalg.lstsq(basis[known], values[known])[0][0]
    mean, reported = mean_over(Window(10.0, 11.5, 0.0, 0.5), time_s, values)
    assert mean == pytest.approx(level, rel=1e-12)
    assert reported == pytest.approx(error, rel=0.3)


def test_a_hold_of_six_time_constants_is_too_short_and_one_of_eight_is_not() -> None:
    random = np.random.default_rng(1)
    short, _ = hold(Case("first order", 0.5, 3.0, 100, "white"), random)
    enough, _ = hold(Case("first order", 0.5, 4.0, 100, "white"), random)
    assert steady_window(short) is None
    window = steady_window(enough)
    assert window is not None and window.settling_s == pytest.approx(0.5, rel=0.05)


def test_a_gust_in_the_middle_is_no_spin_up() -> None:
    frame, _ = hold(Case("first order", 0.25, 10.0, 100, "white"), np.random.default_rng(2))
    frame.loc[frame["time_s"].between(5.0, 5.2), ["speed_rpm", "current_a"]] *= 1.05
    window = steady_window(frame)
    assert window is not None and window.start_s < 3.0


def test_the_mean_over_whole_turns_of_a_short_hold_takes_in_no_spin_up_either() -> None:
    """Two marks, one of them 9 degrees out of place; a first-order spin-up of 0.25 s."""
    tau_s, hold_s, turns_hz, tick_hz = 0.25, 1.9, 11_000.0 / 60.0, 1_000_000
    noise = np.random.default_rng(1)
    fine_s = np.linspace(0.0, hold_s, 200_001)
    turned = turns_hz * (fine_s - tau_s * (1.0 - np.exp(-fine_s / tau_s)))
    whole = np.arange(int(turned[-1]))
    marks = np.sort(np.concatenate([whole, whole + 0.5 + 9.0 / 360.0]))
    edge_s = np.interp(marks, turned, fine_s)
    time_s = np.arange(0.01, hold_s - 0.01, 0.005)
    newest = np.searchsorted(edge_s, time_s, side="right") - 1
    risen = 1.0 - np.exp(-time_s / tau_s)
    lines_seen = pd.DataFrame(
        {
            "time_s": time_s,
            "phase": "running",
            "valid": True,
            "speed_rpm": 11_000.0 * risen * noise.normal(1.0, 5e-4, len(time_s)),
            "current_a": 30.0 * risen * noise.normal(1.0, 0.01, len(time_s)),
            "edges": newest + 1,
            "edge_tick": np.round(edge_s[newest] * tick_hz).astype(np.int64),
        }
    )
    window = steady_window(lines_seen)
    assert window is not None and window.settling_s is not None
    found = figures_of(lines_seen, window, EdgeScale(2, tick_hz))
    assert found.means["speed_rpm"] == pytest.approx(11_000.0, rel=2e-4)
    assert 0.0 < found.errors["speed_rpm"] < 2e-4 * 11_000.0
