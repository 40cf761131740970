"""Fitted lines against certified and published fits."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from rig.stand.calibration import fit_line
from rig.stand.model import ChannelSettings, Converter, Line, Stand
from rig.stand.sampler import Sampler
from rig.stand.uncertainty import NORMAL_975, student_factor
from tests.stand.boards import channel, hello

DATA = Path(__file__).parent / "data"


def table(name: str) -> NDArray[np.float64]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if not line.startswith("#")][1:]
    return np.loadtxt(rows, delimiter=",")


def u_at(line: Line, x: float) -> float:
    (intercept, mixed), (_, slope) = line.covariance
    return float(np.sqrt(intercept + 2 * x * mixed + x**2 * slope))


def test_norris() -> None:
    """NIST StRD Norris, certified values."""
    y, x = table("nist_strd_norris.csv").T
    assert len(x) == 36
    line = fit_line(x, y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.covariance[0][0] ** 0.5 == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.covariance[1][1] ** 0.5 == pytest.approx(0.429796848199937e-3, rel=1e-9)


def test_thermometer() -> None:
    """JCGM 100:2008 H.3: y1, y2, their u and correlation, and the correction at 30 degC."""
    t, b = table("gum_h3_thermometer.csv")[:, :2].T
    line = fit_line(t - 20, b)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.covariance[0][0] ** 0.5 == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.covariance[1][1] ** 0.5 == pytest.approx(0.00067, abs=5e-6)
    r = line.covariance[0][1] / (line.covariance[0][0] * line.covariance[1][1]) ** 0.5
    assert r == pytest.approx(-0.930, abs=5e-4)
    assert line.intercept + 10 * line.slope == pytest.approx(-0.1494, abs=5e-5)
    assert u_at(line, 10) == pytest.approx(0.0041, abs=5e-5)
    without_correlation = Line(
        line.intercept,
        line.slope,
        ((line.covariance[0][0], 0.0), (0.0, line.covariance[1][1])),
    )
    assert u_at(without_correlation, 10) > 0.007


@pytest.mark.parametrize(
    ("x", "y"),
    [([1, 2], [1, 2]), ([1, 1, 1], [1, 2, 3]), ([1, 2, 3], [1, 2]), ([1, 2, np.nan], [1, 2, 3])],
)
def test_what_cannot_be_fitted_says_so(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match=r"three or more|finite|equal"):
        fit_line(x, y)


@pytest.mark.parametrize(
    ("points", "t"), [(3, 12.706), (4, 4.303), (5, 3.182), (10, 2.306), (102, 1.984)]
)
def test_students_t(points: int, t: float) -> None:
    """NIST/SEMATECH e-Handbook 1.3.6.7.2, upper critical values, 0.975, points - 2 degrees."""
    assert student_factor(points) * 1.96 == pytest.approx(t, abs=6e-4)
    assert student_factor(None) == 1.0


def test_a_calibration_that_is_known_well_keeps_its_covariance() -> None:
    line = replace(fit_line([100.0, 500.0, 900.0], [10.1, 49.9, 90.2]), fit_points=None)
    assert reading(line, 50.0).std_dev == pytest.approx(u_at(line, 499.0), rel=0.01)


def reading(line: Line, value: float):  # type: ignore[no-untyped-def]
    """A mean of current through `line` on a board with a perfect converter."""
    stand = Stand("one", channels=(ChannelSettings("current", "x", line),),
                  converter=Converter(0.0, 0.0))  # fmt: skip
    return Sampler(stand, hello(), [channel(0, "x")]).measured({"current_a": value}, single=False)[
        "current_a"
    ]


@pytest.mark.parametrize("points", [3, 4, 5, 10])
def test_a_line_from_few_points_contains_the_truth(points: int) -> None:
    """Monte Carlo: 95 % intervals of readings through fitted lines, 1 % scatter of the points."""
    random, experiments = np.random.default_rng(points), 2500
    counts = np.linspace(100.0, 900.0, points)
    inside = 0
    for _ in range(experiments):
        line = fit_line(counts, 0.1 * counts + random.normal(0.0, 0.5, points))
        found = reading(line, line.intercept + line.slope * 400.0)
        inside += abs(found.nominal_value - 40.0) <= NORMAL_975 * found.std_dev
    assert 0.93 <= inside / experiments <= 0.97
