"""Two setups at equal speed: identities, published bands, and what cannot be compared."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from rig.analysis.contrasts import critical
from rig.analysis.curves import (
    Caution,
    CurveComparison,
    CurveQuestion,
    Curves,
    Reason,
    compare_curves,
    trends_at,
)
from rig.analysis.curves.band import simultaneous_critical
from rig.analysis.curves.fit import fit
from rig.analysis.curves.use import crossings, ranges_above_zero
from rig.analysis.runs import Run
from rig.analysis.steps import OverSteps
from rig.errors import SettingsError
from tests.coverage import new_stand

Law = Callable[[Any], Any]
STEPS = (30.0, 50.0, 70.0, 90.0)
SPEEDS = (4000.0, 6500.0, 9000.0, 11500.0)
SAME_AIR = CurveQuestion({"a": 1.2, "b": 1.2})


def cube(speed_rpm: Any) -> Any:
    """A rotor of 1000 W at 12,000 rpm."""
    return 1000.0 * (speed_rpm / 12_000.0) ** 3


def bent(speed_rpm: Any) -> Any:
    """A cubic of ln power over ln speed."""
    u = np.log(speed_rpm / 12_000.0)
    return 1000.0 * np.exp(2.9 * u + 0.3 * u**2 - 0.1 * u**3)


def runs_of(
    setup: str,
    law: Law,
    speeds: Sequence[float] = SPEEDS,
    steps: Sequence[float] = STEPS,
    *,
    count: int = 4,
    seed: int = 1,
    timed: bool = False,
    **figures: float,
) -> list[OverSteps]:
    """Runs that scatter by 0.2 %, alike for one seed; `timed` ones in turn with another setup's.

    Without times no drift is taken out, so that equal runs have equal means.
    """
    random = np.random.default_rng(seed)
    made = []
    for place in range(count):
        speed = np.array(speeds)
        noise = 0.002 * random.normal() + 0.0005 * random.normal(size=speed.shape)
        power = law(speed) * np.exp(noise)
        began_s = 60.0 * place + 30.0 * (setup > "a") if timed else math.nan
        run = Run(f"{setup}{place}", setup, "done", figures, began_s=began_s)
        volts = np.full(speed.shape, 24.0)
        made.append(OverSteps(run, np.array(steps), speed, power, power / volts, volts))
    return made


def compared(
    a: Sequence[OverSteps], b: Sequence[OverSteps], question: CurveQuestion = SAME_AIR
) -> Curves:
    found = compare_curves([*a, *b], "a", "b", question).curves
    assert found is not None
    return found


def shifted(runs: Sequence[OverSteps], rpm: float = 1.0, watts: float = 1.0) -> list[OverSteps]:
    """The same in other units."""
    return [
        replace(one, speed_rpm=rpm * one.speed_rpm, power_w=watts * one.power_w) for one in runs
    ]


# Identities


@pytest.mark.parametrize("faster", [1.0, 1.03])
@pytest.mark.parametrize("c", [0.97, 1.05])
def test_a_power_that_is_a_multiple_differs_by_it_at_all_speeds(c: float, faster: float) -> None:
    a = runs_of("a", bent)
    b = runs_of("b", lambda n: c * bent(n), [faster * n for n in SPEEDS])
    found = compared(a, b)
    assert found.power_pct.estimate == pytest.approx(100.0 * (c - 1.0), abs=0.05)
    if faster == 1.0:  # the runs scatter alike: exactly
        assert found.power_pct.estimate == pytest.approx(100.0 * (c - 1.0))
        assert found.efficiency_pct is not None
        assert found.efficiency_pct.estimate == pytest.approx(100.0 * (1.0 / c - 1.0))
        assert found.over_range.power.value == pytest.approx(math.log(c))
        assert found.over_range.efficiency_pct == pytest.approx(100.0 * (1.0 / c - 1.0))


@pytest.mark.parametrize("exponent", [2.5, 3.0, 3.31])
@pytest.mark.parametrize("steps", [3, 4])
def test_one_power_law_of_any_exponent_is_no_change(exponent: float, steps: int) -> None:
    def without_scatter(setup: str, faster: float) -> list[OverSteps]:
        speeds = faster * np.array(SPEEDS[-steps:])
        power = 900.0 * (speeds / 1e4) ** exponent
        volts = np.full(steps, 24.0)
        means = (np.array(STEPS[-steps:]), speeds, power, power / volts, volts)
        return [
            OverSteps(Run(setup + str(i), setup, "done", {}, began_s=2.0 * i + faster), *means)
            for i in range(3)
        ]

    found = compared(without_scatter("a", 1.0), without_scatter("b", 1.05))
    assert found.power_pct.estimate == pytest.approx(0.0, abs=1e-9)
    assert found.faster_pct.estimate == pytest.approx(0.0, abs=1e-9)


def test_swapping_the_setups_changes_the_sign() -> None:
    a, b = runs_of("a", bent), runs_of("b", cube, [1.02 * n for n in SPEEDS], seed=2)
    there = compare_curves([*a, *b], "a", "b", SAME_AIR).curves
    back = compare_curves([*a, *b], "b", "a", SAME_AIR).curves
    assert there is not None and back is not None
    one = there.power_pct
    other = back.power_pct.through(lambda pct: 100.0 / (1.0 + pct / 100.0) - 100.0)
    for name in ("estimate", "point_low", "point_high", "band_low", "band_high"):
        assert getattr(one, name) == pytest.approx(getattr(other, name))


@pytest.mark.parametrize(("rpm", "watts"), [(1.0 / 60.0, 1.0), (1.0, 1e-3), (0.1047, 745.7)])
def test_other_units_change_nothing(rpm: float, watts: float) -> None:
    a, b = runs_of("a", bent), runs_of("b", cube, [1.02 * n for n in SPEEDS], seed=2)
    found, scaled = compared(a, b), compared(shifted(a, rpm, watts), shifted(b, rpm, watts))
    assert scaled.power_pct.band_high == pytest.approx(found.power_pct.band_high)
    assert scaled.power_pct.estimate == pytest.approx(found.power_pct.estimate)
    assert scaled.range_rpm == pytest.approx([rpm * n for n in found.range_rpm])


@pytest.mark.parametrize("exponent", [2.9, 3.0])
def test_at_equal_power_the_gain_is_the_change_over_the_slope(exponent: float) -> None:
    def law(speed: Any) -> Any:
        return 900.0 * (speed / 1e4) ** exponent

    found = compared(runs_of("a", law), runs_of("b", lambda n: 0.96 * law(n)))
    # n_B / n_A at equal power is (P_A / P_B at equal speed)^(1 / exponent); the runs' own steps
    # scatter by 0.05 %, which bends their slopes a little.
    wanted = 100.0 * (0.96 ** (-1.0 / exponent) - 1.0)
    assert found.faster_pct.estimate == pytest.approx(wanted, abs=0.01)


def test_at_one_speed_the_interval_is_welchs() -> None:
    a, b = runs_of("a", bent, count=3), runs_of("b", cube, count=3, seed=5)
    found = compared(a, b)
    setups = [one.run.setup for one in [*a, *b]]
    speed, power = (
        np.array([getattr(one, name) for one in [*a, *b]]) for name in ("speed_rpm", "power_w")
    )
    logs = fit(setups, speed, power).logs(found.speed_rpm)
    welch = stats.ttest_ind(logs[3:], logs[:3], equal_var=False)
    low, high = welch.confidence_interval()
    assert found.power_pct.point_low == pytest.approx(100.0 * np.expm1(low))
    assert found.power_pct.point_high == pytest.approx(100.0 * np.expm1(high))
    assert np.all(found.power_pct.band_low < found.power_pct.point_low)


def test_denser_air_at_more_power_is_no_change() -> None:
    a, b = runs_of("a", bent), runs_of("b", lambda n: 1.02 * bent(n))
    found = compared(a, b, CurveQuestion({"a": 1.2, "b": 1.02 * 1.2}))
    assert found.power_pct.estimate == pytest.approx(0.0, abs=1e-9)
    assert found.over_range.power.value == pytest.approx(0.0, abs=1e-9)


def test_an_air_that_is_not_given_is_a_part_of_the_interval() -> None:
    a, b = runs_of("a", bent), runs_of("b", bent, seed=2)
    sources = compared(a, b, CurveQuestion()).over_range.power.sources
    assert sources["air"] == pytest.approx(0.001)
    assert "air" not in compared(a, b).over_range.power.sources


def test_a_straight_drift_of_all_powers_is_taken_out() -> None:
    a, b = (runs_of(s, bent, count=5, seed=n, timed=True) for s, n in (("a", 1), ("b", 2)))
    drifted = [
        [shifted([one], watts=math.exp(1e-4 * one.run.began_s))[0] for one in side]
        for side in (a, b)
    ]
    assert compare_curves([*a, *b], "a", "b").order.separates
    plain, found = compared(a, b), compared(*drifted)
    assert found.power_pct.estimate == pytest.approx(plain.power_pct.estimate)
    assert found.power_pct.band_high == pytest.approx(plain.power_pct.band_high)


def test_the_difference_of_power_is_the_difference_of_heat() -> None:
    found = compared(runs_of("a", bent), runs_of("b", lambda n: 0.98 * bent(n)))
    assert found.less_heat_w is not None
    assert found.less_heat_w.estimate == pytest.approx(found.baseline_w - found.variant_w)
    assert found.less_current_a.estimate == pytest.approx(found.baseline_a - found.variant_a)
    assert np.all(found.less_heat_w.band_low < found.less_heat_w.point_low)


def test_a_use_of_one_speed_is_the_change_there_and_of_several_their_energy() -> None:
    a, b = runs_of("a", bent), runs_of("b", cube, seed=2)
    found = compared(a, b, replace(SAME_AIR, use={SPEEDS[1]: 3.0}))
    at = np.interp(SPEEDS[1], found.speed_rpm, found.power_pct.estimate)
    assert found.over_use is not None
    assert found.over_use.power_pct == pytest.approx(at, abs=0.01)
    several = compared(a, b, replace(SAME_AIR, use={30.0: 20.0, 8000.0: 70.0, 90.0: 10.0}))
    assert several.over_use is not None and several.over_use.power_ci95 is not None
    before, after = (
        20.0 * watts[0] + 70.0 * np.interp(8000.0, found.speed_rpm, watts) + 10.0 * watts[-1]
        for watts in (found.baseline_w, found.variant_w)
    )
    assert several.over_use.power_pct == pytest.approx(100.0 * (after / before - 1.0), abs=0.02)
    low, high = several.over_use.power_ci95
    assert low < several.over_use.power_pct < high


@pytest.mark.parametrize(
    ("use", "words"),
    [({45.0: 1.0}, "no step of 45 %"), ({20_000.0: 1.0}, "outside the speeds"),
     ({30.0: 0.0}, "not a share"), ({30.0: math.nan}, "not a share")],
)  # fmt: skip
def test_a_use_that_the_runs_do_not_cover_is_refused(use: dict[float, float], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        compared(runs_of("a", bent), runs_of("b", bent), replace(SAME_AIR, use=use))


def test_where_a_curve_crosses_zero() -> None:
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    assert crossings(x, np.array([-1.0, 1.0, 3.0, 1.0, -3.0])) == pytest.approx((0.5, 3.25))
    ranges = ranges_above_zero(x, np.array([-1.0, 1.0, -1.0, -2.0, 0.0]))
    assert ranges == ((0.5, 1.5), (4.0, 4.0))
    assert ranges_above_zero(x, np.array([1.0, 2.0, 1.0, 0.0, 1.0])) == ((0.0, 4.0),)
    assert ranges_above_zero(x, np.full(5, np.nan)) == ()


def test_the_speeds_without_a_change_lie_around_where_the_curves_cross() -> None:
    a = runs_of("a", cube)
    b = runs_of("b", lambda n: cube(n) * (n / 8000.0) ** 0.1, seed=2)
    found = compared(a, b)
    assert found.crosses_rpm == pytest.approx([8000.0], rel=0.05)
    ((low, high),) = found.same_rpm
    assert found.range_rpm[0] < low < found.crosses_rpm[0] < high < found.range_rpm[1]


# Published bands


@pytest.mark.parametrize(
    ("rho", "count", "wanted"),
    [(0.5, 2, 2.57), (0.5, 3, 2.76), (0.5, 4, 2.89),
     (0.0, 2, 2.61), (0.0, 3, 2.83), (0.0, 4, 2.98)],
)  # fmt: skip
def test_the_multivariate_t_as_dunnetts_tables_have_it(
    rho: float, count: int, wanted: float
) -> None:
    # Two-sided 5 %, 10 degrees of freedom; from memory.
    correlation = np.full((count, count), rho) + (1.0 - rho) * np.eye(count)
    assert simultaneous_critical(correlation, 10.0) == pytest.approx(wanted, abs=0.012)


TOLUCA = (
    (80, 399), (30, 121), (50, 221), (90, 376), (70, 361), (60, 224), (120, 546), (80, 352),
    (100, 353), (50, 157), (40, 160), (70, 252), (90, 389), (20, 113), (110, 435), (100, 420),
    (30, 212), (50, 268), (90, 377), (110, 421), (30, 273), (90, 468), (40, 244), (80, 342),
    (70, 323),
)  # fmt: skip


def test_the_band_of_a_line_as_working_and_hotelling_have_it() -> None:
    """Kutner, Nachtsheim, Neter, Li, Applied Linear Statistical Models, the Toluca Company example:
    lot size and work hours, data and results from memory."""
    x, y = np.array(TOLUCA, dtype=float).T
    columns = np.column_stack([np.ones(len(x)), x])
    coefficients, rest, *_ = np.linalg.lstsq(columns, y, rcond=None)
    assert coefficients == pytest.approx([62.37, 3.5702], abs=0.005)
    variance = rest[0] / 23
    assert variance == pytest.approx(2384, abs=0.5)
    covariance = variance * np.linalg.inv(columns.T @ columns)
    # All x from minus to plus infinity, in even steps of the angle under which they are seen.
    angles = np.linspace(-math.pi / 2, math.pi / 2, 181)[1:-1]
    points = np.column_stack([np.ones(179), x.mean() + x.std() * np.tan(angles)])
    c = simultaneous_critical(points @ covariance @ points.T, 23.0, 0.90)
    assert c == pytest.approx(2.258, abs=0.01)
    assert c == pytest.approx(math.sqrt(2.0 * stats.f.ppf(0.90, 2, 23)), abs=0.01)
    for lot, low, high in ((30.0, 131.2, 207.8), (65.0, 272.0, 316.8), (100.0, 387.2, 451.6)):
        at = np.array([1.0, lot])
        reach = c * math.sqrt(at @ covariance @ at)
        assert at @ coefficients - reach == pytest.approx(low, abs=0.3)
        assert at @ coefficients + reach == pytest.approx(high, abs=0.3)


@pytest.mark.parametrize("df", [1.0, 3.3, 12.0, math.inf])
def test_points_that_move_as_one_have_students_value(df: float) -> None:
    wanted = critical(df)
    assert simultaneous_critical([[2.0]], df) == pytest.approx(wanted)
    assert simultaneous_critical(np.full((41, 41), 3.0), df) == pytest.approx(wanted)
    assert simultaneous_critical(np.zeros((5, 5)), df) == pytest.approx(wanted)


@pytest.mark.parametrize("df", [2.0, 8.0, math.inf])
def test_a_quadratic_at_many_speeds_lies_between_student_and_scheffe(df: float) -> None:
    u = np.linspace(-0.6, 0.5, 41)
    basis = np.vander(u, 3)
    c = simultaneous_critical(basis @ np.diag([0.02, 0.01, 0.01]) @ basis.T, df)
    # H. Scheffe, Biometrika 40 (1953) 87-104: all points of all quadratics, sqrt(3 F).
    most = math.sqrt(stats.chi2.ppf(0.95, 3) if math.isinf(df) else 3 * stats.f.ppf(0.95, 3, df))
    assert critical(df) < c < most * 1.01


def test_the_same_runs_have_the_same_band_every_time() -> None:
    a, b = runs_of("a", bent), runs_of("b", cube, seed=2)
    one, other = compared(a, b), compared(a, b)
    assert np.array_equal(one.power_pct.band_low, other.power_pct.band_low)


# The stand


def test_a_gain_that_all_runs_share_cancels_and_an_offset_counts_at_the_bottom() -> None:
    stand = new_stand()
    a, b = (
        [replace(one, run=replace(one.run, stand=stand)) for one in runs_of(setup, law, seed=seed)]
        for setup, law, seed in (("a", cube, 1), ("b", lambda n: 1.1 * cube(n), 2))
    )
    found = compared(a, b)
    sources = found.over_range.power.sources
    assert sources["current_a gain"] < 1e-9 and sources["current_a shunt_ohm"] < 1e-9
    assert sources["board clock"] < 1e-5
    assert sources["current_a offset_v"] > 1e-5
    bare = compared(runs_of("a", cube), runs_of("b", lambda n: 1.1 * cube(n), seed=2))
    wider = (found.power_pct.point_high - found.power_pct.point_low) - (
        bare.power_pct.point_high - bare.power_pct.point_low
    )
    assert wider[0] > 2.0 * wider[-1] > 0.0


def test_a_warmer_start_widens_and_is_said() -> None:
    a = runs_of("a", cube, motor_degc_start=20.0)
    b = runs_of("b", cube, seed=2, motor_degc_start=30.0)
    result = compare_curves([*a, *b], "a", "b", SAME_AIR)
    assert Caution.START_TEMPERATURE in {said.kind for said in result.cautions}
    assert result.curves is not None
    # 0.39 % per K of what is lost, a fifth of the power; 1.96 standard uncertainties.
    sources = result.curves.over_range.power.sources
    assert 1.96 * sources["start temperature"] == pytest.approx(0.00393 * 0.2 * 10.0, rel=1e-3)


# Levels


def test_levels_have_a_trend_at_each_speed() -> None:
    levels = {"advance 0": 0.0, "advance 10": 10.0, "advance 20": 20.0}
    runs = [
        one
        for setup, level in levels.items()
        for one in runs_of(setup, lambda n, level=level: cube(n) * np.exp(-1e-6 * n * level))
    ]
    found = trends_at(runs, (5000.0, 10_000.0))
    for rpm, one in zip(found.speed_rpm, found.power, strict=True):
        assert one.per_unit_pct == pytest.approx(-1e-4 * rpm, rel=0.05)
        assert one.ci95_pct is not None and one.ci95_pct[0] < one.per_unit_pct < one.ci95_pct[1]
    assert len(trends_at(runs).power) == 3
    with pytest.raises(SettingsError, match="all runs share"):
        trends_at(runs, (50_000.0,))
    assert trends_at(runs_of("a", cube)).power == ()
    assert trends_at([replace(one, power_w=0.0 * one.power_w) for one in runs]).reasons


# Wrong use


def result_of(a: Sequence[OverSteps], b: Sequence[OverSteps]) -> CurveComparison:
    return compare_curves([*a, *b], "a", "b", SAME_AIR)


@pytest.mark.parametrize(
    ("speeds", "steps", "law", "reason"),
    [
        (SPEEDS[:2], STEPS[:2], cube, Reason.NOT_MEASURED),
        (SPEEDS[:3], STEPS[:3], cube, Reason.DIFFERENT_STEPS),
        (SPEEDS[::-1], STEPS[::-1], cube, Reason.DIFFERENT_STEPS),
        ([5.0 * n for n in SPEEDS], STEPS, cube, Reason.NO_SHARED_RANGE),
        ((4000.0, 6500.0, 11500.0, 11000.0), STEPS, cube, Reason.DOUBLES_BACK),
        (SPEEDS, STEPS, lambda n: cube(n) * np.where(n > 9500.0, 0.4, 1.0), Reason.DOUBLES_BACK),
        ((9000.0, 9500.0, 10_000.0, 10_500.0), STEPS, cube, Reason.NARROW),
        (SPEEDS, (30.0, 30.0, 90.0, 90.0), cube, Reason.FEW_STEPS),
    ],
)
def test_what_has_no_curve_says_why(
    speeds: Sequence[float], steps: Sequence[float], law: Law, reason: Reason
) -> None:
    result = result_of(runs_of("a", cube), runs_of("b", law, speeds, steps))
    assert result.curves is None
    assert result.reasons[-1].kind == reason
    assert result.reasons[-1].text


def test_one_run_with_other_steps_is_left_out_and_named() -> None:
    a, b = runs_of("a", cube), runs_of("b", cube, seed=2)
    other = runs_of("b", cube, steps=(30.0, 50.0, 70.0, 95.0), count=1)
    odd = replace(other[0], run=replace(other[0].run, name="odd"))
    result = result_of(a, [*b, odd])
    assert [(said.kind, "odd" in said.text) for said in result.reasons] == [
        (Reason.DIFFERENT_STEPS, True)
    ]
    assert result.curves is not None and "odd" not in result.used
    assert np.array_equal(result.curves.power_pct.estimate, compared(a, b).power_pct.estimate)


def test_a_step_that_never_settles_is_left_out_of_all_runs() -> None:
    a, b = runs_of("a", cube), runs_of("b", cube, seed=2)
    speed = b[2].speed_rpm.copy()
    speed[3] = math.nan
    b[2] = replace(b[2], speed_rpm=speed)
    result = result_of(a, b)
    assert [said.kind for said in result.reasons] == [Reason.UNSETTLED]
    assert "b2 (90 %)" in result.reasons[0].text
    assert result.curves is not None
    assert result.curves.range_rpm == (SPEEDS[0], SPEEDS[2])


def test_where_too_few_steps_would_be_left_the_runs_are_left_out() -> None:
    a, b = runs_of("a", cube), runs_of("b", cube, seed=2)
    for place, step in ((0, 0), (1, 3)):
        speed = b[place].speed_rpm.copy()
        speed[step] = math.nan
        b[place] = replace(b[place], speed_rpm=speed)
    result = result_of(a, b)
    assert [said.kind for said in result.reasons] == [Reason.UNSETTLED]
    assert result.curves is not None
    assert {"b0", "b1"}.isdisjoint(result.used) and {"b2", "b3"} <= set(result.used)


def test_the_air_of_one_setup_alone_withholds_the_efficiency() -> None:
    a, b = runs_of("a", cube), runs_of("b", cube, seed=2)
    found = compared(a, b, CurveQuestion({"a": 1.2}))
    assert found.efficiency_pct is None and "one of the two" in found.withheld
    assert found.over_range.power.sources["air"] > 0.0


def test_one_run_of_a_setup_has_a_curve_and_no_interval() -> None:
    result = result_of(runs_of("a", cube), runs_of("b", lambda n: 0.98 * cube(n), count=1))
    assert [said.kind for said in result.reasons] == [Reason.ONE_RUN]
    assert result.curves is not None
    assert result.curves.power_pct.estimate == pytest.approx(-2.0, abs=0.5)
    assert np.isnan(result.curves.power_pct.band_low).all()
    assert result.curves.over_range.power_ci95 is None and result.curves.same_rpm == ()


def test_another_rotor_withholds_efficiency_and_heat_only() -> None:
    a, b = runs_of("a", cube), runs_of("b", cube, seed=2)
    found = compared(a, b, replace(SAME_AIR, other_rotor=True))
    assert found.efficiency_pct is None and found.less_heat_w is None
    assert "another fan" in found.withheld
    b = runs_of("b", lambda n: 1.4 * cube(n))
    assert "two different rotors" in compared(a, b).withheld


def test_a_small_current_at_the_bottom_is_said() -> None:
    result = result_of(runs_of("a", cube), runs_of("b", cube, seed=2))
    assert [said.kind for said in result.cautions] == [Caution.SMALL_CURRENT]
    narrow = [6000.0, 8000.0, 9500.0, 11_000.0]
    result = result_of(runs_of("a", cube, narrow), runs_of("b", cube, narrow, seed=2))
    assert result.cautions == ()
