"""Runs with several throttle steps: figures of each, and the one that an answer is about."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import rig
from rig import gather, review
from rig.analysis.answers import Comparisons
from rig.analysis.figures import figures_by_step, figures_of
from rig.analysis.steady import steps_of
from rig.analysis.steps import over_steps
from rig.cli import main
from rig.errors import SettingsError
from rig.report.document import Answer
from rig.report.sections import answers
from rig.report.traces import trace
from rig.stand.reference import CountScale
from tests.report.captures import SAMPLES
from tests.report.stepped import REST_S, stepped, stepped_frame

FROZEN = Path(__file__).parent / "captures" / "frozen"
FOUR = (30.0, 50.0, 70.0, 90.0)


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two setups in turn, three runs each; `early` is 2 % faster."""
    made = tmp_path / "runs"
    made.mkdir()
    for minute in range(6):
        setup, faster = (("late", 1.0), ("early", 1.02))[minute % 2]
        stepped(made / f"{minute}.parquet", FOUR, setup=setup, minute=minute, faster=faster)
    return made


def test_a_run_with_one_step_has_the_figures_that_it_had() -> None:
    known = json.loads((FROZEN / "figures.json").read_text())
    paths = [place / name for name in known for place in (FROZEN, SAMPLES)]
    found = [path for path in paths if path.exists()]
    assert {path.name for path in found} == known.keys()
    for path in found:
        (step,) = gather.gather([path])[0].steps
        before = known[path.name]
        assert list(step.figures) == list(before["means"])
        assert dict(step.figures) == pytest.approx(before["means"], rel=1e-9, nan_ok=True)
        assert dict(step.errors) == pytest.approx(before["errors"], rel=1e-6, nan_ok=True)
        assert step.window_s == pytest.approx(before["window"])


def test_a_steps_figures_are_those_of_a_run_that_ended_with_it() -> None:
    frame = stepped_frame(FOUR)
    *before, last = zip(figures_by_step(frame), steps_of(frame), strict=True)
    assert dict(last[0].means) == dict(figures_of(frame).means)
    for step, hold in before:
        alone = figures_of(frame[frame["time_s"] <= hold.to_s])
        assert step.window == alone.window
        of_run = {"supply_ohm", *(k for k in alone.means if k.endswith(("_rise", "_peak")))}
        for key in alone.means.keys() - of_run:
            assert step.means[key] == pytest.approx(alone.means[key], rel=1e-12), key
        assert "motor_degc_peak" not in step.means
        rise = step.means["motor_degc_end"] - step.means["motor_degc_start"]
        assert step.means["motor_degc_rise"] == pytest.approx(rise)
        # It warms steadily, so that the end is the peak.
        assert rise == pytest.approx(alone.means["motor_degc_rise"], abs=0.01)
        assert step.errors["motor_degc_rise"] > 0.0


def test_a_row_per_run_and_step(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = rig.figures(folder)
    assert len(table) == 24
    assert list(table["step"][:4]) == [1, 2, 3, 4]
    assert list(table["throttle_pct"][:4]) == list(FOUR)
    # After twenty time constants the speed is 150 rpm per percent.
    late = table[table["setup"] == "late"]
    np.testing.assert_allclose(late["speed_rpm"], 150.0 * late["throttle_pct"], rtol=3e-4)
    assert (table["energy_wh"].to_numpy().reshape(6, 4).argsort() == [0, 1, 2, 3]).all()
    assert (table["hold_from_s"] == REST_S + 3.0 * (table["step"] - 1)).all()
    monkeypatch.setattr(gather, "_reckon", None)  # all steps are kept
    assert rig.figures(folder).equals(table)
    assert rig.compare(folder, "late", step=50.0)["step"][0].startswith("at 50 % throttle")


def test_the_file_is_read_once_for_all_steps(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from rig.captures import capture

    read: list[Path] = []
    load = capture.load
    monkeypatch.setattr(capture, "load", lambda path: read.append(path) or load(path))
    review.compare([folder / "0.parquet", folder / "1.parquet"], "late")
    review.compare([folder / "0.parquet", folder / "1.parquet"], "late", step_pct=50.0)
    assert [path.name for path in read] == ["0.parquet", "1.parquet"]


def test_the_step_is_picked_by_its_throttle_and_named_first(folder: Path) -> None:
    found = review.compare([folder], "late")
    assert _compared(found) == "late -> early, at 90 % throttle, the last of 4 steps"
    found = review.compare([folder], "late", step_pct=50.0)
    assert _compared(found) == "late -> early, at 50 % throttle, step 2 of 4"
    speed = found.variants[0].change("speed_rpm")
    assert speed is not None and speed.change == pytest.approx(2.0, abs=0.05)
    assert speed.baseline == pytest.approx(7500.0, rel=1e-3)
    rise = found.variants[0].change("motor_degc_rise")
    assert rise is not None and rise.note == "by the end of the step"
    assert _compared(review.compare([SAMPLES], "late")) == "late -> early"


def _compared(comparisons: Comparisons) -> str:
    (answer,) = answers(comparisons)
    assert isinstance(answer, Answer)
    return "".join(answer.title)


def test_a_step_that_no_run_has_is_refused_with_those_there_are(folder: Path) -> None:
    with pytest.raises(SettingsError, match="no run has a step of 55 %") as caught:
        review.compare([folder], "late", step_pct=55.0)
    assert caught.value.to_do == "Did you mean 50? The steps are 30, 50, 70, 90 %."


def test_a_run_with_other_steps_is_named(folder: Path) -> None:
    stepped(folder / "odd.parquet", (30.0, 60.0, 90.0), minute=7)
    found = review.compare([folder], "late", step_pct=50.0)
    assert (
        "odd.parquet is left out: it has no step of 50 %, its steps are 30, 60, 90 %"
        in found.warnings
    )
    found = review.compare([folder], "late")
    assert (
        "odd.parquet has other steps than the other runs of 'late': 30, 60, 90 %, "
        "not 30, 50, 70, 90 %" in found.warnings
    )
    assert found.variants[0].step == "at 90 % throttle, the last step of each run"
    (throttle,) = (c.text for c in found.variants[0].conditions if c.name == "throttle")
    four = "30, 50, 70, 90 % for 3 s each"
    assert throttle == f"throttle {four} or 30, 60, 90 % for 3 s each and {four}"


def test_a_step_that_never_settles_says_so_and_the_others_stay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = stepped(tmp_path / "a.parquet", FOUR, wander=50.0)
    table = rig.figures(path)
    assert list(table["speed_rpm"].isna()) == [False, True, False, False]
    why = "its hold at 50 % has no steady part: speed or current did not settle in 3.0 s"
    assert list(table["why"]) == ["", why, "", ""]
    over = over_steps(gather.gather([path])[0])
    assert list(over.throttle_pct) == list(FOUR)
    for values in (over.speed_rpm, over.power_w, over.current_a, over.voltage_v):
        assert list(np.isnan(values)) == [False, True, False, False]
    assert np.all(np.diff(over.power_w[[0, 2, 3]]) > 0.0)
    review.show(path).print()
    assert f"step 2: {why}" in capsys.readouterr().out


def test_where_the_last_step_never_settles_another_one_is_offered(tmp_path: Path) -> None:
    for minute, setup in enumerate(("late", "early")):
        path = tmp_path / f"{setup}.parquet"
        stepped(path, FOUR, setup=setup, minute=minute, wander=90.0)
    hint = "what is left out is steady at 30, 50, 70 %: --step PERCENT compares there"
    with pytest.raises(SettingsError) as caught:
        review.compare([tmp_path], "late")
    assert hint in caught.value.to_do
    assert review.compare([tmp_path], "late", step_pct=70.0).variants
    stepped(tmp_path / "other.parquet", FOUR, minute=2)
    stepped(tmp_path / "more.parquet", FOUR, setup="early", minute=3)
    assert hint in review.compare([tmp_path], "late").warnings
    assert hint not in review.compare([tmp_path], "late", step_pct=70.0).warnings


def test_of_two_steps_at_one_throttle_the_last_counts(tmp_path: Path) -> None:
    path = stepped(tmp_path / "a.parquet", (40.0, 60.0, 40.0, 20.0))
    assert review.show(path, 40.0).run.step == 3


def test_times_count_from_the_hold_of_the_step(folder: Path) -> None:
    found = review.compare([folder], "late", window_s=(1.0, 2.0), step_pct=50.0)
    assert {run.window_s for run in found.used} == {(1.0, 2.0)}
    assert {run.hold_from_s for run in found.used} == {REST_S + 3.0}
    with pytest.raises(SettingsError) as caught:
        review.compare([folder], "late", window_s=(1.0, 4.0), step_pct=50.0)
    assert "its hold at 50 % lasts 3.0 s, the window ends at 4 s" in caught.value.to_do


def test_a_drawing_counts_from_the_hold_of_the_step(tmp_path: Path) -> None:
    path = stepped(tmp_path / "a.parquet", FOUR)
    found = trace(path, ["speed_rpm"], 100, review.show(path, 50.0).run.hold_from_s)
    assert found.hold_at_s == REST_S + 3.0
    assert found.driven_s == pytest.approx((-3.0, 8.99))


def test_a_knob_that_is_turned_slowly_makes_no_steps() -> None:
    frame = stepped_frame((40.0, 80.0))
    turned = frame["time_s"].between(REST_S + 2.0, REST_S + 3.0)
    frame.loc[turned, "throttle_pct"] = np.linspace(40.0, 80.0, int(turned.sum()))
    assert [hold.throttle_pct for hold in steps_of(frame)] == [40.0, 80.0]
    only_ramp = frame[turned | (frame["phase"] != "running")]
    assert [hold.throttle_pct for hold in steps_of(only_ramp)] == [80.0]
    assert [hold.to_s for hold in steps_of(frame[:0])] == pytest.approx([np.nan], nan_ok=True)


def test_commands_name_the_step(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["runs", str(folder), "--step", "50"]) == 0
    listed = capsys.readouterr().out
    assert "30, 50, 70, 90 % 3 s each" in listed
    assert "those of the step of 50 %" in listed
    assert listed.count("7500 rpm") + listed.count("7501 rpm") + listed.count("7499 rpm") == 3
    assert main(["runs", str(folder), "--json"]) == 0
    assert [len(row["steps"]) for row in json.loads(capsys.readouterr().out)] == [4] * 6
    assert main(["compare", str(folder), "--baseline", "late", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [(run["compared"], len(run["steps"])) for run in data["steps"]] == [(4, 4)] * 6
    assert main(["compare", str(folder), "--baseline", "late", "--worth", "1"]) == 0
    first = capsys.readouterr().out.strip().partition("\n")[0]
    assert first == "late -> early, at 90 % throttle, the last of 4 steps: WORTH IT"
    assert main(["compare", str(folder), "--baseline", "late", "--step", "51"]) == 2
    assert "Did you mean 50?" in capsys.readouterr().err
    for ending in (".md", ".html"):
        out = folder / f"report{ending}"
        asked = ["report", str(folder), "--baseline", "late", "--step", "50", "--out", str(out)]
        assert main(asked) == 0
        report = out.read_text().replace("\N{NO-BREAK SPACE}", " ")
        assert "at 50 % throttle, step 2 of 4" in report
    assert "from the start of the throttle hold of the step" in report


@pytest.mark.parametrize(("throttles_pct", "curve"), [(FOUR[:3], True), (FOUR[:2], False)])
def test_three_steps_make_a_curve(
    throttles_pct: tuple[float, ...],
    curve: bool,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    review.show(stepped(tmp_path / "a.parquet", throttles_pct)).print()
    assert ("Power, W, over speed" in capsys.readouterr().out) is curve


def test_the_stand_is_in_a_rise_that_has_no_peak() -> None:
    (run,) = gather.gather([next(SAMPLES.glob("*_early_01.parquet"))])
    figures = {k: v for k, v in run.figures.items() if not k.endswith(("_peak", "_rise"))}
    figures["motor_degc_rise"] = figures["motor_degc_end"] - figures["motor_degc_start"]
    known = replace(run, figures=figures).measured
    assert known["motor_degc_rise"].nominal_value == pytest.approx(figures["motor_degc_rise"])
    # What the sensor's components do to both ends cancels.
    assert 0.0 < known["motor_degc_rise"].std_dev < known["motor_degc_end"].std_dev


def test_each_step_has_the_reference_of_its_own_window() -> None:
    frame = stepped_frame((40.0, 80.0))
    # Two conversions a line, and a zero of 10: 225 counts of one, then 230.
    frame["supply_count"] = np.where(frame["throttle_pct"] == 80.0, 450, 440)
    low, high = figures_by_step(frame, reference=CountScale("supply_count", 2, 10))
    assert (low.means["reference_count"], high.means["reference_count"]) == (225.0, 230.0)
    assert low.errors["reference_count"] == 0.0


def test_nan_is_no_throttle_of_a_step() -> None:
    frame = stepped_frame((40.0,)).drop(columns="throttle_pct")
    assert isinstance(frame, pd.DataFrame)
    (only,) = figures_by_step(frame)
    assert np.isnan(only.throttle_pct) and only.means["speed_rpm"] == pytest.approx(
        6000.0, rel=1e-3
    )
