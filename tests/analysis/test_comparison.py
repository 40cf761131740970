"""Steady window, figures and comparison, against numpy, pandas and hand sums."""

import numpy as np
import pandas as pd
import pytest

from rig.analysis.comparison import RunFigures, compare
from rig.analysis.figures import run_figures
from rig.analysis.steady import steady_window
from rig.errors import SettingsError


def run_frame(current_a: float = 20.0, seconds: float = 6.0) -> pd.DataFrame:
    """A run that spins up for 1 s, holds, and is valid but for one wild line."""
    time_s = np.arange(0.0, seconds, 0.01)
    speed = 10000.0 * np.minimum(1.0, time_s)
    frame = pd.DataFrame(
        {
            "time_s": time_s,
            "current_a": current_a + np.sin(time_s * 40.0),
            "voltage_v": 24.0 - 0.1 * np.sin(time_s * 40.0),
            "speed_rpm": speed,
            "motor_degc": 20.0 + time_s,
            "phase": "running",
            "valid": True,
        }
    )
    frame["power_w"] = frame["current_a"] * frame["voltage_v"]
    frame.loc[400, ["current_a", "valid"]] = [900.0, False]
    return frame


def test_the_steady_window_begins_when_the_speed_has_settled() -> None:
    window = steady_window(run_frame())
    assert window is not None
    assert window.start_s == pytest.approx(0.98, abs=0.02)


@pytest.mark.parametrize("frame", [run_frame(seconds=1.5), run_frame().assign(phase="ready")])
def test_a_run_that_never_settles_has_no_window_and_no_figures(frame: pd.DataFrame) -> None:
    assert steady_window(frame) is None
    assert run_figures(frame) == {}


def test_power_is_the_mean_of_products_not_the_product_of_means() -> None:
    frame = run_frame()
    figures = run_figures(frame)
    steady = frame[(frame["time_s"] >= figures["steady_from_s"]) & frame["valid"].astype(bool)]
    products = (steady["current_a"] * steady["voltage_v"]).mean()
    assert figures["power_w"] == pytest.approx(products, rel=1e-12)
    assert figures["power_w"] != pytest.approx(
        figures["current_a"] * figures["voltage_v"], rel=1e-5
    )
    assert figures["motor_degc_rise"] == pytest.approx(5.99)


def runs(setup: str, *currents: float, outcome: str = "done") -> list[RunFigures]:
    return [
        RunFigures(f"{setup}{i}", setup, outcome, {"current_a": current, "motor_degc": 50.0})
        for i, current in enumerate(currents)
    ]


def test_a_percent_change_as_the_trade_reckons_it() -> None:
    """98 to 105 A is +7.14 %: common practice, no source."""
    result = compare([*runs("a", 97.0, 98.0, 99.0), *runs("b", 104.0, 105.0, 106.0)], "a")
    change = result.variants[0].changes[0]
    assert change.change_pct == pytest.approx(7.142857)
    assert (change.baseline_spread, change.runs) == (pytest.approx(1.0), (3, 3))


def test_degrees_celsius_have_no_percent() -> None:
    result = compare([*runs("a", 1.0, 2.0), *runs("b", 1.0, 2.0)], "a")
    assert result.variants[0].changes[1].change_pct is None


def test_one_run_has_no_scatter_and_a_tripped_run_is_left_out_with_its_reason() -> None:
    result = compare([*runs("a", 1.0), *runs("b", 2.0), *runs("b", 9.0, outcome="tripped")], "a")
    change = result.variants[0].changes[0]
    assert (change.variant, change.baseline_spread, change.runs) == (2.0, None, (1, 1))
    assert any("tripped" in warning for warning in result.warnings)
    assert sum("one run" in warning for warning in result.warnings) == 2


@pytest.mark.parametrize(
    ("made", "baseline", "words"),
    [
        (runs("a", 1.0), "b", "'a'"),
        (runs("a", 1.0), "a", "one more setup"),
        ([], "a", "none"),
        ([*runs("a", 1.0), *runs("b", 1.0, outcome="tripped")], "a", "no run that can be used"),
    ],
)
def test_what_cannot_be_compared_is_said(made: list[RunFigures], baseline: str, words: str) -> None:
    with pytest.raises(SettingsError) as error:
        compare(made, baseline)
    assert words in str(error.value)
