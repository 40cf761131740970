"""The density of the air a propeller turns in. Power at a given speed is proportional to it.

Formula and constants: A. Picard, R. S. Davis, M. Glaeser, K. Fujii, "Revised formula for the
density of moist air (CIPM-2007)", Metrologia 45 (2008) 149-155.
"""

from __future__ import annotations

import math

from rig.errors import SettingsError

LOWEST_DEGC, HIGHEST_DEGC = -40.0, 60.0
LOWEST_HPA, HIGHEST_HPA = 500.0, 1100.0
"""What is taken for weather and not for a slip of the pen; wider than CIPM-2007's own range."""

_KELVIN = 273.15
_GAS_J_PER_MOL_K = 8.314472
_DRY_KG_PER_MOL = 28.96546e-3
"""Dry air with 400 ppm of carbon dioxide."""
_WATER_KG_PER_MOL = 18.01528e-3


def air_density_kg_m3(temperature_degc: float, pressure_hpa: float, humidity: float = 0.5) -> float:
    """Density of moist air, in kg/m3, by CIPM-2007 with 400 ppm of carbon dioxide.

    `pressure_hpa` is the pressure at the place, not the one reduced to sea level that
    forecasts give; `humidity` is relative, 0 to 1. Not knowing the humidity of a room costs
    about 0.5 %.

    The formula is published for 15 to 27 degC and 600 to 1100 hPa, with a relative standard
    uncertainty of 2.2e-5. It is used here from -40 to 60 degC and 500 to 1100 hPa, where it
    still agrees with the gas law to about 1e-3, which is ample for a propeller. Raises
    SettingsError outside.
    """
    _inside(temperature_degc, LOWEST_DEGC, HIGHEST_DEGC, "the air's temperature", "degC")
    _inside(pressure_hpa, LOWEST_HPA, HIGHEST_HPA, "the air's pressure", "hPa")
    _inside(humidity, 0.0, 1.0, "the relative humidity", "(1 is saturated)")
    kelvin, pressure_pa = temperature_degc + _KELVIN, 100.0 * pressure_hpa
    water = _water_share(temperature_degc, pressure_pa, humidity)
    lighter = 1.0 - water * (1.0 - _WATER_KG_PER_MOL / _DRY_KG_PER_MOL)
    volume = _compressibility(temperature_degc, pressure_pa, water) * _GAS_J_PER_MOL_K * kelvin
    return pressure_pa * _DRY_KG_PER_MOL * lighter / volume


def air_density_from_text(text: str) -> float:
    """Density in kg/m3 from `degC,hPa` or `degC,hPa,%`, such as `22,1013` or `22,1013,45`.

    Without the relative humidity 50 % is taken. Raises SettingsError for anything else.
    """
    try:
        temperature_degc, pressure_hpa, *rest = map(float, text.split(","))
        (humidity_pct,) = rest or (50.0,)
    except ValueError:
        raise SettingsError(
            f"{text!r} is not temperature, pressure and perhaps humidity",
            where="air",
            to_do="Write degC,hPa or degC,hPa,% with decimal points, such as 22.5,1013,45.",
        ) from None
    return air_density_kg_m3(temperature_degc, pressure_hpa, humidity_pct / 100.0)


def _water_share(temperature_degc: float, pressure_pa: float, humidity: float) -> float:
    """Mole fraction of water vapour, x_v."""
    kelvin = temperature_degc + _KELVIN
    saturated_pa = math.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_degc**2
    return humidity * enhancement * saturated_pa / pressure_pa


def _compressibility(temperature_degc: float, pressure_pa: float, water: float) -> float:
    """By how much the volume differs from a perfect gas's, Z."""
    per_kelvin = pressure_pa / (temperature_degc + _KELVIN)
    pairs = 1.58123e-6 - 2.9331e-8 * temperature_degc + 1.1043e-10 * temperature_degc**2
    pairs += (5.707e-6 - 2.051e-8 * temperature_degc) * water
    pairs += (1.9898e-4 - 2.376e-6 * temperature_degc) * water**2
    return 1.0 - per_kelvin * pairs + per_kelvin**2 * (1.83e-11 - 0.765e-8 * water**2)


def _inside(value: float, lowest: float, highest: float, name: str, unit: str) -> None:
    if not lowest <= value <= highest:
        raise SettingsError(
            f"{name} cannot be {value:g} {unit}",
            where="air",
            to_do=f"It is taken from {lowest:g} to {highest:g} {unit}.",
        )
