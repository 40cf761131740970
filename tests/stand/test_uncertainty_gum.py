"""Correlated propagation as our budgets use it, against JCGM 100:2008 H.2."""

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat, umath

VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPS = [0.019663, 0.019639, 0.019640, 0.019685, 0.019678]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def impedance(volts, amps, radians):  # type: ignore[no-untyped-def]
    return (
        volts / amps * umath.cos(radians),
        volts / amps * umath.sin(radians),
        volts / amps,
    )


def test_impedance_with_its_correlations() -> None:
    rows = np.array([VOLTS, AMPS, RADIANS])
    inputs = correlated_values(rows.mean(axis=1), np.cov(rows) / 5)
    published = [(127.732, 0.071), (219.847, 0.295), (254.260, 0.236)]
    for found, (value, u) in zip(impedance(*inputs), published, strict=True):
        assert found.nominal_value == pytest.approx(value, abs=6e-4)
        assert found.std_dev == pytest.approx(u, abs=1e-3)


def test_without_the_correlations_it_comes_out_wrong() -> None:
    rows = np.array([VOLTS, AMPS, RADIANS])
    deviations = rows.std(axis=1, ddof=1) / np.sqrt(5)
    inputs = [ufloat(mean, u) for mean, u in zip(rows.mean(axis=1), deviations, strict=True)]
    for found, wrong in zip(impedance(*inputs), [0.1945, 0.2009, 0.2041], strict=True):
        assert found.std_dev == pytest.approx(wrong, abs=1e-4)
