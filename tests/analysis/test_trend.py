"""Trends over levels, against certified analyses of variance and scipy."""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from rig.analysis.comparison import compare
from rig.analysis.runs import Run
from rig.analysis.trend import lack_of_fit, levels_of


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
    table = Path(__file__).with_name(f"nist_strd_{name}.csv")
    rows = np.genfromtxt(table, delimiter=",", skip_header=2)
    found, p = lack_of_fit(rows[:, 0], rows[:, 1], degree=0)
    assert found == pytest.approx(f, rel=tolerance)
    groups = [rows[rows[:, 0] == level, 1] for level in np.unique(rows[:, 0])]
    assert p == pytest.approx(stats.f_oneway(*groups).pvalue, rel=1e-6)


def leveled(levels: list[float], values: list[float]) -> list[Run]:
    """Runs in turn; each its level's setup."""
    return [
        Run(f"r{i}", f"advance {level:g}", "done", {"speed_rpm": value}, began_s=60.0 * i)
        for i, (level, value) in enumerate(zip(levels, values, strict=True))
    ]


def test_the_slope_as_scipy_has_it() -> None:
    random = np.random.default_rng(8)
    levels = [5.0, 10.0, 15.0, 20.0] * 4
    values = np.exp(4.0 + 0.002 * np.array(levels) + random.normal(0.0, 0.003, 16))
    (found,) = compare(leveled(levels, values.tolist()), "advance 5").trends
    theirs = stats.linregress(levels, np.log(values))
    # Theirs has no drift; in an order like this it hardly moves the slope.
    assert found.per_unit_pct == pytest.approx(100 * math.expm1(theirs.slope), rel=0.05)
    assert found.ci95_pct is not None
    reach = stats.t.ppf(0.975, 11) * theirs.stderr
    assert (found.ci95_pct[1] - found.ci95_pct[0]) / 200 == pytest.approx(reach, rel=0.35)
    assert found.lack_of_fit_p > 0.05


def test_trend_and_changes_are_of_one_model() -> None:
    """A drift of 3 % over the day, and a true 0.1 % per degree: both say so."""
    levels = [0.0, 10.0, 20.0, 20.0, 10.0, 0.0] * 2
    random = np.random.default_rng(2)
    day = np.linspace(0.0, 0.03, 12) + random.normal(0.0, 2e-4, 12)
    values = [9e3 * math.exp(0.001 * x + d) for x, d in zip(levels, day, strict=True)]
    result = compare(leveled(levels, values), "advance 0")
    (found,) = result.trends
    assert found.ci95_pct is not None
    assert found.ci95_pct[0] < 0.1 < found.ci95_pct[1]
    assert found.ci95_pct[1] - found.ci95_pct[0] < 0.05
    change = result.variants[1].change("speed_rpm")
    assert change is not None and change.change is not None
    assert change.change / 20.0 == pytest.approx(found.per_unit_pct, rel=0.1)


def test_a_setup_that_scatters_more_widens_the_slope() -> None:
    calm = [9e3, 9.01e3, 9.02e3] * 4
    wild = [value * (1.03 if i % 6 == 2 else 1.0) for i, value in enumerate(calm)]
    widths = []
    for values in (calm, wild):
        (found,) = compare(leveled([1.0, 2.0, 3.0] * 4, values), "advance 1").trends
        assert found.ci95_pct is not None
        widths.append(found.ci95_pct[1] - found.ci95_pct[0])
    assert widths[1] > 5.0 * widths[0]


def test_a_bent_line_lacks_fit() -> None:
    levels = np.repeat([0.0, 1.0, 2.0, 3.0], 3)
    values = 0.05 * levels**2 + np.tile([0.0, 0.001, -0.001], 4)
    assert lack_of_fit(levels, values, degree=1)[1] < 1e-3


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
