"""Statistics against published examples."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import fft, stats

from rig.analysis import inference
from rig.analysis.contrasts import Model, critical, detectable, family_critical
from rig.analysis.inference import (
    autocorrelation_time,
    fieller,
    grubbs,
    grubbs_limit,
    standard_error,
)

OLD = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
NEW = [36, 31, 30, 31, 34, 36, 29, 32, 31]
"""NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1: an old process and a new one."""


def two(old: list[float], new: list[float], **more: object) -> Model:
    values = np.array([*old, *new], dtype=float)[:, None]
    return Model(("old",) * len(old) + ("new",) * len(new), values, **more)  # type: ignore[arg-type]


def test_welch_as_the_e_handbook_has_it() -> None:
    contrast = two(OLD, NEW).contrast("new", "old")
    error = math.sqrt(contrast.covariance[0, 0])
    assert contrast.estimates[0] / error == pytest.approx(2.2694, abs=5e-5)
    assert contrast.df[0] == pytest.approx(15.5, abs=0.05)
    reach = critical(contrast.df[0]) * error
    assert contrast.estimates[0] - reach == pytest.approx(0.245943467970, rel=1e-9)


def test_welch_on_logarithms_as_scipy_has_it() -> None:
    model = two([*np.log(OLD)], [*np.log(NEW)])
    contrast = model.contrast("old", "new")
    result = stats.ttest_ind(np.log(NEW), np.log(OLD), equal_var=False)
    low, high = result.confidence_interval()
    reach = critical(contrast.df[0]) * math.sqrt(contrast.covariance[0, 0])
    assert contrast.estimates[0] - reach == pytest.approx(low)
    assert contrast.estimates[0] + reach == pytest.approx(high)
    # The ratio of geometric means, worked out once with 12 digits.
    assert math.exp(contrast.estimates[0] - reach) == pytest.approx(0.809835042865, rel=1e-9)


def test_anova_sets_of_nist_with_two_groups() -> None:
    # NIST StRD, AtmWtAg: t squared of the pooled test is the certified F of 15.94673;
    # with equal counts Welch's t is the same.
    rows = np.genfromtxt(
        Path(__file__).with_name("nist_strd_AtmWtAg.csv"), delimiter=",", skip_header=1, dtype=float
    )
    one, other = rows[rows[:, 0] == 1, 1], rows[rows[:, 0] == 2, 1]
    contrast = two([*one], [*other]).contrast("old", "new")
    t = contrast.estimates[0] / math.sqrt(contrast.covariance[0, 0])
    assert t**2 == pytest.approx(15.9467335677930, rel=1e-6)


def test_drift_that_is_there_is_taken_out_exactly() -> None:
    time_s = np.arange(8.0)
    setups = ("a", "b") * 4
    values = 0.3 * time_s + np.where(np.array(setups) == "b", 2.0, 0.0)
    model = Model(setups, values[:, None], time_s)
    assert model.contrast("a", "b").estimates[0] == pytest.approx(2.0)
    assert model.drift().estimates[0] == pytest.approx(0.3 * 7.0)
    plain = Model(setups, values[:, None]).contrast("a", "b")
    assert plain.estimates[0] == pytest.approx(2.3)


def test_with_drift_as_ordinary_least_squares_where_scatters_are_alike() -> None:
    # Independent: scipy has no regression with two variables, numpy solves it.
    random = np.random.default_rng(4)
    time_s, mark = np.arange(400.0), np.tile([0.0, 1.0], 200)
    values = 1.0 + 0.5 * mark + 0.01 * time_s + random.normal(0.0, 1.0, 400)
    model = Model(tuple("ab"[int(m)] for m in mark), values[:, None], time_s)
    contrast = model.contrast("a", "b")
    columns = np.column_stack([np.ones(400), mark, time_s])
    solution, rest, *_ = np.linalg.lstsq(columns, values, rcond=None)
    pooled = rest[0] / 397 * np.linalg.inv(columns.T @ columns)[1, 1]
    assert contrast.estimates[0] == pytest.approx(solution[1])
    assert contrast.covariance[0, 0] == pytest.approx(pooled, rel=0.02)
    assert contrast.df[0] == pytest.approx(397, rel=0.02)


def test_one_run_has_no_scatter() -> None:
    contrast = two([1.0], [2.0, 3.0]).contrast("old", "new")
    assert contrast.estimates[0] == pytest.approx(1.5)
    assert contrast.df[0] == 0.0
    assert np.isnan(contrast.covariance).all()


def test_family_wise_as_dunnett_has_it() -> None:
    # Held against scipy.stats.dunnett, which is the same law by another way (Dunnett 1955).
    random = np.random.default_rng(7)
    groups = [random.normal(0.0, 1.0, 6) for _ in range(4)]
    result = stats.dunnett(*groups[1:], control=groups[0], random_state=1)
    interval = result.confidence_interval(0.95)
    pooled = math.sqrt(sum(g.var(ddof=1) for g in groups) / 4 * 2 / 6)
    theirs = (interval.high[0] - interval.low[0]) / 2 / pooled
    correlation = np.full((3, 3), 0.5) + 0.5 * np.eye(3)
    assert family_critical(correlation, 20) == pytest.approx(theirs, abs=0.02)


@pytest.mark.parametrize(
    ("t_tail", "low", "high"),
    [(0.90, 1.54478766329, 2.64235275050), (0.95, 1.45659649643, 2.83315758350),
     (0.99, 1.27277478255, 3.36037795713)],
)  # fmt: skip
def test_fieller_as_published(t_tail: float, low: float, high: float) -> None:
    # README of the DCSTATS repository, case A: a = 14, b = 7, SD 3 and 2, n = 6 + 6.
    covariance = [[9 / 6, 0.0], [0.0, 4 / 6]]
    found = fieller(14.0, 7.0, covariance, critical(10, t_tail))
    assert found == pytest.approx((low, high), rel=1e-9)


def test_fieller_gives_no_interval_where_the_lower_may_be_zero() -> None:
    assert fieller(1.0, 0.5, [[0.1, 0.0], [0.0, 0.1]], 2.0) is None


def test_grubbs_as_the_e_handbook_has_it() -> None:
    # e-Handbook 1.3.5.17.1, data of Tietjen and Moore (1972).
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    assert grubbs(values) == 7
    assert grubbs_limit(8, 0.05) == pytest.approx(2.032, abs=5e-4)
    assert grubbs(values[:-1]) is None
    assert grubbs([1.0, 1.0, 1.0]) is None


@pytest.mark.parametrize(
    ("difference", "power", "runs"),
    [(0.2, 0.8, 394), (0.5, 0.8, 64), (0.8, 0.8, 26), (1.0, 0.8, 17), (2.0, 0.8, 6),
     (0.5, 0.9, 86), (1.0, 0.9, 23), (1.5, 0.9, 11)],
)  # fmt: skip
def test_what_runs_could_have_shown_as_cohen_has_it(
    difference: float, power: float, runs: int
) -> None:
    """Cohen 1988 for power 0.8 (from memory); 0.9 computed from the noncentral t: so many runs of
    each of two setups see the difference (in standard deviations), one less does not."""

    def seen(n: int) -> float:
        return detectable(2 * (n - 1), power) * math.sqrt(2.0 / n)

    assert seen(runs) <= difference * 1.002 and difference < seen(runs - 1)


def test_what_runs_could_have_shown_as_the_r_package_pwr_gives_it() -> None:
    # Reference power in statsmodels' own test suite (stats/tests/test_power.py): d = 1, n = 30.
    assert detectable(58, 0.967708258242517) == pytest.approx(math.sqrt(15.0), rel=1e-6)


@pytest.mark.parametrize("r", [0.0, 0.5, 0.8, 0.9])
def test_autocorrelation_time_of_an_ar1_series(r: float) -> None:
    # (1 + r) / (1 - r), the textbook sum of the geometric series.
    random = np.random.default_rng(3)
    noise = random.normal(size=400_000)
    series = np.empty_like(noise)
    series[0] = noise[0]
    for i in range(1, len(noise)):
        series[i] = r * series[i - 1] + noise[i]
    assert autocorrelation_time(series) == pytest.approx((1 + r) / (1 - r), rel=0.06)


def test_the_error_of_a_mean_covers_it() -> None:
    random = np.random.default_rng(5)
    inside = 0
    for _ in range(400):
        noise = random.normal(size=600)
        series = np.convolve(noise, np.ones(10), "valid")
        inside += abs(series.mean()) < 1.96 * standard_error(series)
    assert inside / 400 > 0.9
    assert math.isnan(standard_error([1.0]))


@given(st.integers(4, 3000), st.floats(0.0, 0.99), st.integers(0, 2**32 - 1))
def test_a_padded_transform_gives_the_same_autocorrelation(n: int, r: float, seed: int) -> None:
    """Against the plain sums of products, which use no transform."""
    values = np.empty(n)
    values[0], *rest = np.random.default_rng(seed).normal(size=n)
    for place, step in enumerate(rest, 1):
        values[place] = r * values[place - 1] + step
    centred = values - values.mean()
    sums = np.correlate(centred, centred, "full")[n - 1 :]
    pairs = (sums / sums[0])[: n - n % 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0.0)
    expected = max(2.0 * pairs[: ends[0] if len(ends) else None].sum() - 1.0, 1.0)
    assert autocorrelation_time(values) == pytest.approx(expected, rel=1e-12)


def test_the_length_of_the_transform_is_that_of_a_general_library() -> None:
    for least in [*range(8, 3000), 119_998, 2**20 - 1, 2**20 + 1, 5 * 2**20 + 1]:
        assert inference._fast_length(least) == fft.next_fast_len(least, real=True)
