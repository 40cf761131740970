"""`rig.figures` and `rig.compare` on the sample captures, as a notebook uses them."""

from pathlib import Path

import pytest

import rig
from rig import review
from rig.errors import InputFileError

SAMPLES = Path(__file__).parents[1] / "sample_captures"


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))


def test_a_row_of_figures_per_run() -> None:
    table = rig.figures(SAMPLES)
    assert list(table["setup"].value_counts()[["early", "late"]]) == [5, 5]
    assert table["began"].is_monotonic_increasing
    done = table[table["outcome"] == "done"]
    assert done["speed_rpm"].between(11_000, 11_600).all()
    assert (done["current_a_u"] < 0.2).all()


def test_a_row_per_setup_and_quantity() -> None:
    table = rig.compare(str(SAMPLES), "late", worth_pct=1.0).set_index(["setup", "quantity"])
    speed = table.loc[("early", "speed_rpm")]
    assert speed["low_pct"] < speed["change_pct"] < speed["high_pct"]
    assert speed["verdict"] == "worth it"


def test_figures_are_kept_by_content_and_reckoned_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "other name.parquet"
    copy.write_bytes(next(SAMPLES.glob("*_early_01.parquet")).read_bytes())
    first = rig.figures(copy)
    monkeypatch.setattr("rig.gather._reckon", None)
    again = tmp_path / "moved.parquet"
    copy.rename(again)
    second = rig.figures(again)
    assert second["capture"][0] == "moved.parquet"
    assert second["speed_rpm"][0] == first["speed_rpm"][0]
    for kept in (tmp_path / "rig" / "figures").iterdir():
        kept.write_text('{"damaged')
    with pytest.raises(TypeError):
        rig.figures(again)


def test_what_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputFileError):
        rig.figures(tmp_path / "nothing.parquet")


def test_a_run_is_shown_with_what_it_is_known_to() -> None:
    shown = review.show(next(SAMPLES.glob("*_early_01.parquet")))
    # Component tolerances of the demo's stand outweigh what two seconds scatter.
    assert 0.1 < shown.uncertainty["current_a"] < 0.3
    assert [step.throttle_pct for step in shown.run.steps] == [70.0]


def test_what_is_shown_counts_from_the_start_of_the_last_hold(
    capsys: pytest.CaptureFixture[str],
) -> None:
    shown = review.show(next(SAMPLES.glob("*_trip_01.parquet")))
    (trip,) = [a for a in shown.capture.meta.alarms if a["severity"] == "trip"]
    assert shown.hold_from_s is not None and 0.5 < shown.hold_from_s < 0.6
    shown.print()
    printed = capsys.readouterr().out
    assert f"{trip['time_s'] - shown.hold_from_s:.2f} s" in printed
    assert printed.count("from the start of the last hold") == 3
