"""Trends over levels, against certified analyses of variance and scipy."""

import math

import numpy as np
import pytest
from scipy import stats

from rig.analysis.trend import lack_of_fit, levels_of, trend


@pytest.mark.parametrize(
    ("name", "f", "tolerance"),
    [
        ("SiRstv", 1.18046237440255, 1e-9),
        ("SmLs01", 21.0, 1e-9),
        ("AtmWtAg", 15.9467335677930, 1e-6),
    ],
)  # fmt: skip
def test_analysis_of_variance_as_nist_certifies_it(name: str, f: float, tolerance: float) -> None:
    """NIST StRD, one-way ANOVA."""
    rows = np.genfromtxt(f"tests/analysis/nist_strd_{name}.csv", delimiter=",", skip_header=2)
    found, p = lack_of_fit(rows[:, 0], rows[:, 1], degree=0)
    assert found == pytest.approx(f, rel=tolerance)
    groups = [rows[rows[:, 0] == level, 1] for level in np.unique(rows[:, 0])]
    assert p == pytest.approx(stats.f_oneway(*groups).pvalue, rel=1e-6)


def test_the_slope_and_its_interval_as_scipy_has_them() -> None:
    random = np.random.default_rng(8)
    levels = np.repeat([5.0, 10.0, 15.0, 20.0], 4)
    values = np.exp(4.0 + 0.002 * levels + random.normal(0.0, 0.003, 16))
    found = trend("speed_rpm", levels, values)
    theirs = stats.linregress(levels, np.log(values))
    reach = stats.t.ppf(0.975, 14) * theirs.stderr
    assert found.per_unit_pct == pytest.approx(100 * math.expm1(theirs.slope))
    assert found.ci95_pct == pytest.approx(
        (100 * math.expm1(theirs.slope - reach), 100 * math.expm1(theirs.slope + reach))
    )
    assert found.lack_of_fit_p > 0.05


def test_a_bent_line_lacks_fit() -> None:
    levels = np.repeat([0.0, 1.0, 2.0, 3.0], 3)
    values = np.exp(0.05 * levels**2 + np.tile([0.0, 0.001, -0.001], 4))
    assert trend("speed_rpm", levels, values).lack_of_fit_p < 1e-3


@pytest.mark.parametrize(
    ("setups", "levels"),
    [
        (("advance 5", "advance 15", "advance 25", "advance 5"), [5.0, 15.0, 25.0]),
        (("12t", "13t", "14t"), [12.0, 13.0, 14.0]),
        (("kv-900", "kv-950.5", "kv-1000"), [-900.0, -950.5, -1000.0]),
        (("early", "late", "5"), []),
        (("5deg", "10deg"), []),
        (("5deg", "10rpm", "15deg"), []),
    ],
)
def test_levels_are_read_from_names(setups: tuple[str, ...], levels: list[float]) -> None:
    assert [abs(level) for level in levels_of(setups).values()] == [abs(v) for v in levels]
    assert all(value >= 0.0 for value in levels_of(setups).values())
