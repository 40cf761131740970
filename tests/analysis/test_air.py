"""The density of air against CIPM-2007, a second formula, and the standard atmosphere."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.air import (
    _compressibility,
    _water_share,
    air_density_from_text,
    air_density_kg_m3,
)
from rig.errors import SettingsError

# CIPM-2007, Picard et al., Metrologia 45 (2008) 149, 400 ppm CO2. The coefficients stand alike
# in three public implementations; the densities were computed from them, since no published
# check density was found.


@pytest.mark.parametrize(
    ("degc", "hpa", "humidity", "kg_m3", "water", "z"),
    [
        (20.0, 1013.25, 0.5, 1.19931390, 0.01158934, 0.99961477),
        (20.0, 1013.25, 0.0, 1.20455734, 0.0, 0.99964314),
        (15.0, 1013.25, 0.0, 1.22552134, 0.0, 0.99959221),
        (20.0, 1000.0, 0.5, 1.18355661, 0.01174241, 0.99961931),
        (25.0, 1000.0, 0.4, 1.16321866, 0.01273114, 0.99966460),
        (35.0, 950.0, 0.7, 1.05745259, 0.04165373, 0.99966176),
    ],
)
def test_cipm_2007(
    degc: float, hpa: float, humidity: float, kg_m3: float, water: float, z: float
) -> None:
    assert air_density_kg_m3(degc, hpa, humidity) == pytest.approx(kg_m3, abs=1e-8)
    share = _water_share(degc, 100.0 * hpa, humidity)
    assert share == pytest.approx(water, abs=1e-8)
    assert _compressibility(degc, 100.0 * hpa, share) == pytest.approx(z, abs=1e-8)


@given(st.floats(10.0, 30.0), st.floats(900.0, 1100.0), st.floats(0.0, 0.8))
def test_the_legal_formula(degc: float, hpa: float, humidity: float) -> None:
    """OIML R 111, the approximation formula: a value from memory. Said to be good to 2e-4; over
    this range the two differ by up to 2.9e-4, at the cold, dense and moist edge."""
    moist = 0.009 * 100.0 * humidity * math.exp(0.061 * degc)
    simplified = (0.34848 * hpa - moist) / (273.15 + degc)
    assert air_density_kg_m3(degc, hpa, humidity) == pytest.approx(simplified, rel=3e-4)


@pytest.mark.parametrize(
    ("kelvin", "pascal", "kg_m3"),
    [
        (288.1500, 101325.0, 1.225000),
        (281.6510, 89876.278, 1.111660),
        (275.1541, 79501.411, 1.006554),
        (268.6592, 70121.144, 0.909254),
    ],
)
def test_the_standard_atmosphere(kelvin: float, pascal: float, kg_m3: float) -> None:
    """ISO 2533 / US 1976, dry, at 0, 1000, 2000 and 3000 m geometric. A perfect gas without
    today's carbon dioxide: 4e-4 lighter at sea level, and as near in the cold and the thin."""
    dry = air_density_kg_m3(kelvin - 273.15, pascal / 100.0, 0.0)
    assert dry == pytest.approx(kg_m3, rel=6e-4)


def test_text_with_and_without_humidity() -> None:
    assert air_density_from_text("20,1013.25") == air_density_kg_m3(20.0, 1013.25, 0.5)
    assert air_density_from_text(" 20, 1000, 0") == air_density_kg_m3(20.0, 1000.0, 0.0)
    assert air_density_from_text("-5,700,100") == air_density_kg_m3(-5.0, 700.0, 1.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "degC,hPa"),
        ("22", "degC,hPa"),
        ("22;1013", "degC,hPa"),
        ("22,1013,45,1", "degC,hPa"),
        ("warm,1013", "degC,hPa"),
        ("1013,22", "temperature cannot be 1013 degC"),
        ("22,101325", "pressure cannot be 101325 hPa"),
        ("22,5,1013", "pressure cannot be 5 hPa"),
        ("22,1013,145", "humidity cannot be 1.45"),
        ("22,1013,-1", "humidity"),
        ("nan,1013", "temperature"),
        ("22,inf", "pressure"),
    ],
)
def test_what_is_not_weather_is_refused(text: str, words: str) -> None:
    with pytest.raises(SettingsError) as error:
        air_density_from_text(text)
    assert words in str(error.value)
    assert error.value.to_do
