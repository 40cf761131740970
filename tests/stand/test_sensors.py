"""Sensor formulas against published tables."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rig.stand.calibration import steinhart_hart
from rig.stand.model import NtcBeta, NtcSteinhart, Parameter, PositiveParameter, Sensor
from rig.stand.sensors import formula_of, plain_parameters, platinum_degc

# IEC 60751, resistance of a Pt100 in ohm to 0.01 ohm.
PT100 = {
    -200: 18.52, -100: 60.26, -50: 80.31, -20: 92.16, 0: 100.00, 10: 103.90, 20: 107.79,
    25: 109.73, 30: 111.67, 40: 115.54, 50: 119.40, 60: 123.24, 80: 130.90, 100: 138.51,
    125: 147.95, 150: 157.33, 200: 175.86, 250: 194.10, 300: 212.05, 400: 247.09,
    500: 280.98, 600: 313.71, 800: 375.70, 850: 390.48,
}  # fmt: skip

# A component handbook's table of a 10 kohm thermistor, B25/85 = 3977 K: degC, ohm, and the
# temperature that the B value alone gives for it.
NTC = [
    (-40, 332_094, -37.01),
    (-20, 96_358, -18.29),
    (0, 32_554, 0.76),
    (25, 10_000, 25.00),
    (50, 3_605, 49.69),
    (85, 1_070, 85.01),
    (100, 677.3, 100.39),
    (125, 338.7, 126.40),
]


def degc(sensor: Sensor, ohms: float, position: str = "low", series: float = 10_000.0) -> float:
    ratio = ohms / (ohms + series)
    x = 1024 * (ratio if position == "low" else 1 - ratio)
    return float(formula_of(sensor)(x, 1024.0, plain_parameters(sensor)))


@pytest.mark.parametrize(("t", "ohms"), PT100.items())
def test_platinum_table(t: int, ohms: float) -> None:
    # 0.005 ohm of rounding over the least slope of the range, 0.29 ohm/K, is 0.017 K.
    assert platinum_degc(ohms / 100) == pytest.approx(t, abs=0.018)


@given(st.floats(-200.0, 850.0))
def test_platinum_is_the_inverse_of_the_standards_formula(t: float) -> None:
    """IEC 60751: R/R0 = 1 + At + Bt^2 + C(t - 100)t^3, C below 0 degC only."""
    c = -4.183e-12 if t < 0 else 0.0
    relative = 1 + 3.9083e-3 * t - 5.775e-7 * t**2 + c * (t - 100) * t**3
    assert platinum_degc(relative) == pytest.approx(t, abs=1e-6)


@pytest.mark.parametrize("position", ["low", "high"])
@pytest.mark.parametrize(("t", "ohms", "by_beta"), NTC)
def test_thermistor_by_b_value(position: str, t: int, ohms: float, by_beta: float) -> None:
    sensor = NtcBeta(
        PositiveParameter(10_000.0),
        PositiveParameter(3977.0),
        PositiveParameter(10_000.0),
        "low" if position == "low" else "high",
    )
    got = degc(sensor, ohms, position)
    assert got == pytest.approx(by_beta, abs=0.011)
    # The B value is exact where it was taken and leaves the table by degrees far from there.
    assert abs(got - t) < (0.02 if t in (25, 85) else 3.0)


def test_steinhart_hart_through_three_points() -> None:
    """The coefficients and check values that are widely published for these three points."""
    a, b, c = steinhart_hart([[25_000, 5], [10_000, 25], [4_000, 45]]) or (0, 0, 0)
    assert a == pytest.approx(2.108508173e-3, rel=1e-9)
    assert b == pytest.approx(0.7979204727e-4, rel=1e-9)
    assert c == pytest.approx(6.535076315e-7, rel=1e-9)
    sensor = NtcSteinhart(Parameter(a), Parameter(b), Parameter(c), PositiveParameter(10_000.0))
    for ohms, t in [(15_000, 16.1336180), (6_000, 36.1674140), (5_312, 38.8247081)]:
        assert degc(sensor, ohms) == pytest.approx(t, abs=1e-6)
    assert degc(sensor, 2_000) == pytest.approx(59.9639097, abs=1e-6)


@pytest.mark.parametrize(
    "points", [[], [[1, 2]], "x", None, [[1, 2], [1, 2], [3, 4]], [[0, 1], [2, 3], [4, 5]]]
)
def test_points_that_fix_no_thermistor(points: object) -> None:
    assert steinhart_hart(points) is None


def test_floats_arrays_and_uncertain_numbers_agree() -> None:
    ratios = np.linspace(0.19, 3.9, 50)
    each = [platinum_degc(float(ratio)) for ratio in ratios]
    assert platinum_degc(ratios) == pytest.approx(each, abs=1e-9)
    for ratio in (0.5, 1.4):
        uncertain = platinum_degc(ufloat(ratio, 1e-4))
        slope = (platinum_degc(ratio + 1e-6) - platinum_degc(ratio - 1e-6)) / 2e-6
        assert uncertain.nominal_value == pytest.approx(platinum_degc(ratio))
        assert uncertain.std_dev == pytest.approx(abs(slope) * 1e-4, rel=1e-5)
    assert math.isclose(platinum_degc(1.0), 0.0, abs_tol=1e-12)
