"""Fitted lines against certified and published fits."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from rig.stand.calibration import fit_line
from rig.stand.model import Line

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
