"""Steady window, figures and comparison, against numpy, pandas and hand sums."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest
from uncertainties import ufloat

from rig.analysis.answers import Question
from rig.analysis.comparison import compare
from rig.analysis.efficiency import AIR_AT_LEAST
from rig.analysis.figures import run_figures
from rig.analysis.powertrain import Gear
from rig.analysis.runs import Run
from rig.analysis.steady import r_statistic, steady_window, steady_windows
from rig.errors import SettingsError
from rig.report.variant import cost_lines


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
    assert 1.0 <= window.start_s < 1.1


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
    assert figures["motor_degc_rate"] == pytest.approx(60.0)
    assert figures["motor_degc_end"] == pytest.approx(25.99)


def runs(
    setup: str,
    *currents: float,
    outcome: str = "done",
    speeds: tuple[float, ...] = (),
    **more: object,
) -> list[Run]:
    found = []
    for i, current in enumerate(currents):
        figures = {"current_a": current, "motor_degc": 50.0, "motor_degc_start": 20.0}
        if speeds:
            figures |= {"speed_rpm": speeds[i], "power_w": 24.0 * current, "voltage_rest_v": 25.0}
        found.append(Run(f"{setup}{i}", setup, outcome, figures, **more))  # type: ignore[arg-type]
    return found


@pytest.mark.parametrize(
    ("currents", "speeds", "current_pct", "speed_pct", "per_speed"),
    [
        ((98.0, 105.0), (34_488.0, 34_960.0), 7.14, 1.37, 5.2),
        ((108.0, 128.0), (46_833.0, 50_000.0), 18.5, 6.8, 2.7),
        ((41.92, 44.53), (77.47, 78.26), 6.23, 1.02, 6.1),
        ((32.02, 32.67), (78.74, 79.26), 2.03, 0.66, 3.1),
    ],
)
def test_percent_changes_as_the_trade_computes_them(
    currents: tuple[float, float],
    speeds: tuple[float, float],
    current_pct: float,
    speed_pct: float,
    per_speed: float,
) -> None:
    """Common practice, no source."""
    before = runs("a", *[currents[0] * f for f in (0.9999, 1.0001)], speeds=(speeds[0],) * 2)
    after = runs("b", *[currents[1] * f for f in (0.9999, 1.0001)], speeds=(speeds[1],) * 2)
    item = compare([*before, *after], "a").variants[0]
    for quantity, wanted in (("current_a", current_pct), ("speed_rpm", speed_pct)):
        change = item.change(quantity)
        assert change is not None
        assert change.change == pytest.approx(wanted, abs=0.05)
    assert item.current_per_speed.value == pytest.approx(per_speed, abs=0.06)


def test_the_efficiency_by_the_affinity_laws_against_one_with_torque() -> None:
    """A stand with a torque sensor saw 64 % fall to about 62 %: common practice, no source. The
    load of that stand is not stated, so this checks the arithmetic and not the law."""
    before = runs("a", 41.92, 41.92, speeds=(77.47, 77.47))
    after = runs("b", 44.53, 44.53, speeds=(78.26, 78.26))
    efficiency = compare([*before, *after], "a").variants[0].efficiency
    assert efficiency.value == pytest.approx(100.0 * (62.0 / 64.0 - 1.0), abs=0.5)
    assert efficiency.withheld == ""


def test_denser_air_at_the_same_speed_and_power_is_a_better_efficiency() -> None:
    made = [*runs("a", 30.0, 30.1, speeds=(9e3, 9e3)), *runs("b", 30.0, 30.1, speeds=(9e3, 9e3))]
    air = Question(density_kg_m3={"a": 1.20, "b": 1.23})
    assert compare(made, "a", air).variants[0].efficiency.value == pytest.approx(2.5)
    half = compare(made, "a", Question(density_kg_m3={"a": 1.2})).variants[0].efficiency
    assert "one of the two" in half.withheld


@pytest.mark.parametrize(
    ("question", "speed", "start", "words"),
    [
        (Question(other_rotor=True), 1.0, 0.0, "another fan"),
        (Question(), 1.5, 0.0, "affinity laws are used"),
    ],
)
def test_an_efficiency_whose_assumptions_do_not_hold_is_withheld(
    question: Question, speed: float, start: float, words: str
) -> None:
    before = runs("a", 30.0, 30.1, speeds=(9e3, 9.01e3))
    after = [
        Run(run.name, "b", "done", {**run.figures, "motor_degc_start": 20.0 + start,
                                   "speed_rpm": speed * run.figures["speed_rpm"]})
        for run in before
    ]  # fmt: skip
    efficiency = compare([*before, *after], "a", question).variants[0].efficiency
    assert words in efficiency.withheld
    assert efficiency.value is None


def test_air_that_may_differ_widens_the_efficiency_and_given_air_does_not() -> None:
    before = runs("a", 30.0, 30.1, 29.9, speeds=(9e3, 9.01e3, 8.99e3))
    after = [
        Run(run.name, "b", "done", {**run.figures, "motor_degc_start": 29.0}) for run in before
    ]

    def width(question: Question) -> float:
        interval = compare([*before, *after], "a", question).variants[0].efficiency.ci95
        assert interval is not None
        return interval[1] - interval[0]

    given = Question(density_kg_m3={"a": 1.2, "b": 1.2})
    # 9 K are 3.1 % of density (ideal gas), twice of which is half of the width.
    assert width(Question()) == pytest.approx(4 * 100 * 9.0 / 293.0, rel=0.1)
    assert width(given) < 0.3 * width(Question())


def test_the_exponent_of_the_rotor_is_in_the_efficiency() -> None:
    """GUM 5.1.2: u(k) times the logarithm of the ratio of the speeds."""
    made = [
        *runs("a", 30.0, 30.0, 30.0, speeds=(9e3,) * 3),
        *runs("b", 34.0, 34.0, 34.0, speeds=(9e3 * 1.05,) * 3),
    ]
    for question, u in ((Question(), 0.12), (Question(exponent_u=0.03), 0.03)):
        efficiency = compare(made, "a", question).variants[0].efficiency
        assert efficiency.value is not None and efficiency.ci95 is not None
        reach = math.log1p(efficiency.ci95[1] / 100) - math.log1p(efficiency.value / 100)
        known = math.hypot(u * math.log(1.05), AIR_AT_LEAST)
        assert reach == pytest.approx(1.96 * known, rel=1e-3)


def test_mixed_rotors_are_seen() -> None:
    before = runs("a", 30.0, 30.1, speeds=(9e3, 9.01e3))
    after = runs("b", 40.0, 40.1, speeds=(9e3, 9.01e3))
    assert "two different rotors" in compare([*before, *after], "a").variants[0].efficiency.withheld


def test_a_change_of_speed_within_the_scatter_has_no_cost() -> None:
    made = [
        *runs("a", 30.0, 30.4, 29.7, speeds=(9e3, 9.05e3, 8.96e3)),
        *runs("b", 30.1, 30.3, 29.8, speeds=(9.01e3, 9.04e3, 8.97e3)),
    ]
    ratio = compare(made, "a").variants[0].current_per_speed
    assert (ratio.value, ratio.ci95) == (None, None)
    assert "within the scatter" in ratio.why


def test_degrees_celsius_have_no_percent() -> None:
    result = compare([*runs("a", 1.0, 2.0), *runs("b", 1.0, 2.0)], "a")
    assert result.variants[0].changes[1].change is None


@pytest.mark.parametrize("current", [0.0, -1.0])
def test_a_mean_that_is_not_positive_has_no_percent_and_says_so(current: float) -> None:
    change = compare([*runs("a", current, 2.0), *runs("b", 1.0, 2.0)], "a").variants[0].changes[0]
    assert (change.change, change.ci95) == (None, None)
    assert "not positive" in change.why


def test_one_run_has_no_scatter_and_a_tripped_run_is_left_out_with_its_reason() -> None:
    result = compare([*runs("a", 1.0), *runs("b", 2.0), *runs("b", 9.0, outcome="tripped")], "a")
    change = result.variants[0].changes[0]
    assert (change.variant, change.baseline_spread, change.runs) == (2.0, None, (1, 1))
    assert change.ci95 is None and "one run" in change.why
    assert any("tripped" in warning for warning in result.warnings)
    assert sum("one run" in warning for warning in result.warnings) == 2


def test_a_run_that_stands_out_is_pointed_out_and_kept() -> None:
    made = [*runs("a", 30.0, 30.1, 29.9, 30.05, 38.0), *runs("b", 30.0, 30.1, 29.9)]
    result = compare(made, "a")
    assert any("a4 stands out" in warning for warning in result.warnings)
    assert result.variants[0].changes[0].runs == (5, 3)


def test_drift_is_taken_out_of_runs_in_turn_and_named_otherwise() -> None:
    def made(order: str) -> list[Run]:
        level = {"a": 30.0, "b": 31.5}
        return [
            Run(f"{setup}{i}", setup, "done",
                {"current_a": level[setup] * math.exp(0.01 * i + 1e-5 * (i * i % 7))},
                began_s=60.0 * i)
            for i, setup in enumerate(order)
        ]  # fmt: skip

    in_turn = compare(made("abababab"), "a")
    assert in_turn.variants[0].changes[0].change == pytest.approx(5.0, abs=0.02)
    assert in_turn.drift_pct["current_a"][0] == pytest.approx(100 * math.expm1(0.07), abs=0.1)
    in_blocks = compare(made("aaaabbbb"), "a")
    assert "one after the other" in in_blocks.variants[0].order
    assert in_blocks.drift_pct == {}
    back_again = compare(made("aaabbbbaaa"), "a").variants[0]
    assert "there and back" in back_again.order
    interval = back_again.changes[0].ci95
    assert interval is not None and interval[0] < 5.0 < interval[1]


def test_several_setups_share_the_risk() -> None:
    one = [*runs("a", 30.0, 30.3, 29.8), *runs("b", 31.0, 31.3, 30.8)]
    several = [*one, *runs("c", 32.0, 32.3, 31.8)]

    def width(made: list[Run]) -> float:
        interval = compare(made, "a").variants[0].changes[0].ci95
        assert interval is not None
        return interval[1] - interval[0]

    assert width(several) > 1.1 * width(one)


def test_what_else_differs_is_named_with_its_likely_effect() -> None:
    before = runs("a", 30.0, 30.1, speeds=(9e3, 9e3), throttle=((70.0, 3.0),))
    after = [
        Run(run.name, "b", "done",
            {**run.figures, "voltage_rest_v": 24.75, "motor_degc_start": 30.0},
            throttle=((80.0, 3.0),), counts={"lines": 100, "lost": 5})
        for run in before
    ]  # fmt: skip
    found = {item.name: item for item in compare([*before, *after], "a").variants[0].conditions}
    assert found["supply voltage"].speed_pct == pytest.approx(-1.0, rel=0.01)
    assert found["start temperature"].speed_pct == pytest.approx(-0.393)
    assert "70 % for 3 s and 80 % for 3 s" in found["throttle"].text
    assert "5.0 %" in found["lost lines"].text
    assert "no calibration" in found


@pytest.mark.parametrize(
    ("made", "baseline", "words"),
    [
        (runs("a", 1.0), "b", "'a'"),
        (runs("a", 1.0), "a", "one more setup"),
        ([], "a", "none"),
        ([*runs("a", 1.0), *runs("b", 1.0, outcome="tripped")], "a", "no run that can be used"),
        ([*runs("a", 1.0), *runs("b", 1.0, stand_name="x")], "a", "different stands"),
        ([*runs("a", 1.0), Run("b0", "b", "done", {"current_a": math.nan})], "a", "is valid"),
    ],
)
def test_what_cannot_be_compared_is_said(made: list[Run], baseline: str, words: str) -> None:
    with pytest.raises(SettingsError) as error:
        compare(made, baseline)
    assert words in str(error.value)


def test_the_r_statistic_walks_as_worked_out_by_hand() -> None:
    # Cao and Rhinehart (1995) with 0.2, 0.1, 0.1, worked out step by step.
    walk = r_statistic(np.array([5.0, 5.2, 4.9, 5.1, 5.0, 5.3, 4.8, 5.1]))
    steps = [1.8, 0.79428571, 0.67803911, 0.64289591, 0.99932538, 0.75588598, 0.64012080]
    assert walk == pytest.approx(steps, abs=1e-8)


def test_the_r_statistic_of_white_noise_is_one_and_passes_its_limit_in_one_of_twenty() -> None:
    walk = r_statistic(np.random.default_rng(2).normal(size=200_000))[300:]
    assert np.median(walk) == pytest.approx(1.0, abs=0.01)
    assert (walk > 1.44).mean() == pytest.approx(0.05, abs=0.005)


def test_each_hold_has_its_own_window() -> None:
    frame = run_frame(seconds=12.0)
    frame["throttle_pct"] = np.where(frame["time_s"] < 6.0, 40.0, 70.0)
    frame.loc[frame["time_s"] >= 6.0, "speed_rpm"] = 10_000.0 + 3000.0 * np.minimum(
        1.0, frame["time_s"] - 6.0
    )
    (low, first), (high, second) = steady_windows(frame)
    assert (low, high) == (40.0, 70.0)
    assert first is not None and second is not None
    assert first.start_s == pytest.approx(1.0, abs=0.1) and first.end_s < 6.0
    # A straight ramp does not announce its end: it is left with some margin.
    assert 7.0 <= second.start_s < 8.0


def test_setups_that_are_levels_of_one_number_have_a_trend() -> None:
    made = [
        run
        for level in (5.0, 10.0, 15.0)
        for run in runs(
            f"advance {level:g}", 30.0, 30.1, 29.9,
            speeds=tuple(9000.0 * 1.002**level * f for f in (0.9999, 1.0, 1.0001)),
        )
    ]  # fmt: skip
    found = {item.quantity: item for item in compare(made, "advance 5").trends}
    assert found["speed_rpm"].per_unit_pct == pytest.approx(0.2, abs=1e-3)
    assert compare([*runs("a", 1.0, 2.0), *runs("b", 1.0, 2.0)], "a").trends == ()


def test_a_gain_that_all_runs_share_cancels_and_an_offset_does_not() -> None:
    gain, offset = ufloat(1.0, 0.01, "gain"), ufloat(0.0, 0.05, "offset")

    def stand(means: Mapping[str, float]) -> dict[str, Any]:
        return {"current_a": means["current_a"] * gain + offset}

    made = [*runs("a", 30.0, 30.1, stand=stand), *runs("b", 33.0, 33.1, stand=stand)]
    change = compare(made, "a").variants[0].changes[0]
    assert change.sources["gain"] == pytest.approx(0.0, abs=1e-9)
    # By hand, from the means of the logarithms: 0.05 / 33.05 less 0.05 / 30.05, nearly.
    assert change.sources["offset"] == pytest.approx(100 * (0.05 / 30.05 - 0.05 / 33.05), rel=1e-4)
    assert change.known == pytest.approx(change.sources["offset"])


def test_an_efficiency_from_torque_stands_beside_the_one_without() -> None:
    made = [
        Run(f"{setup}{i}", setup, "done",
            {"speed_rpm": speed, "power_w": power + i, "efficiency": eta + 1e-4 * i})
        for setup, speed, power, eta in (("a", 9000.0, 600.0, 0.64), ("b", 9090.0, 636.0, 0.62))
        for i in range(3)
    ]  # fmt: skip
    found = compare(made, "a").variants[0].efficiency
    assert found.measured_pct == pytest.approx(-3.12, abs=0.02)
    assert found.value == pytest.approx(100 * (1.01**3 / 1.06 - 1), abs=0.02)


def test_a_geared_motor_moves_a_vehicle() -> None:
    # Common practice, no source: 34,488 to 34,960 rpm, and one at 100 would do 101.37.
    made = [
        *runs("a", 98.0, 98.1, speeds=(34_488.0, 34_488.0)),
        *runs("b", 105.0, 105.1, speeds=(34_960.0, 34_960.0)),
    ]
    geared = compare(made, "a", Question(gear=Gear(12, 60))).variants[0]
    assert geared.vehicle_speed == pytest.approx(101.37, abs=5e-3)
    assert "a vehicle that did 100 would do 101.37" in cost_lines(geared)
    assert compare(made, "a").variants[0].vehicle_speed is None
