"""The stand's part in figures that are no columns: rises, ratios, charge and energy.

A rise is a difference of two readings of one sensor, whose component errors are the same: both
are measured through the same calibration, and what they share cancels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from rig.stand.quantities import is_temperature
from rig.stand.sampler import REFERENCE_COUNT

Stand = Callable[[Mapping[str, float]], Mapping[str, Any]]
"""A calibration: means in, the same with their uncertainty out, as `UFloat`s of the
`uncertainties` library that share the stand's components as variables."""


def derived(figures: Mapping[str, float], known: Mapping[str, Any], stand: Stand) -> dict[str, Any]:
    """What follows from `figures` of one run, with uncertainty; `known` are its columns.

    Gives each temperature's start, end, peak and rise, `rpm_per_v`, `shaft_w`, `efficiency`,
    `supply_ohm`, `charge_ah` and `energy_wh`, as far as their columns are known. Each has the
    value that it has in `figures`.
    """
    stand = _at_reference(figures, stand)
    found: dict[str, Any] = {}
    for column in filter(is_temperature, known):
        names = [f"{column}_{part}" for part in ("start", "end", "peak", "expected_peak")]
        for name in names:
            if math.isfinite(figures.get(name, math.nan)):
                found[name] = stand({column: figures[name]})[column]
        top = names[2] if names[2] in found else names[1]  # a step before the last has no peak
        if {names[0], top} <= found.keys():
            found[f"{column}_rise"] = found[top] - found[names[0]]
    if "rpm_per_v" in figures and {"speed_rpm", "voltage_v"} <= known.keys():
        found["rpm_per_v"] = known["speed_rpm"] / known["voltage_v"]
    if {"speed_rpm", "torque_nm"} <= known.keys():
        found["shaft_w"] = known["speed_rpm"] * known["torque_nm"] * (math.pi / 30.0)
        if "efficiency" in figures and "power_w" in known:
            found["efficiency"] = found["shaft_w"] / known["power_w"]
    pair = ("voltage_v", "current_a")
    if "supply_ohm" in figures and all(figures.get(column, 0.0) > 0.0 for column in pair):
        gains = [_gain(stand, column, figures[column]) for column in pair if column in known]
        # Nothing where a reading is at the end of its converter's scale.
        if len(gains) == len(pair) and all(_value(gain) > 0.5 for gain in gains):
            found["supply_ohm"] = figures["supply_ohm"] * gains[0] / gains[1]
    found |= _totals(figures, known, stand)
    return {
        name: _with_value(value, figures[name]) for name, value in found.items() if name in figures
    }


def _at_reference(figures: Mapping[str, float], stand: Stand) -> Stand:
    """The calibration with the converter's reference as it was in this run."""
    known = {name: figures[name] for name in (REFERENCE_COUNT,) if name in figures}
    return lambda means: stand({**means, **known})


def _gain(stand: Stand, column: str, value: float) -> Any:
    """What a difference of two readings is multiplied by: 1, with its uncertainty."""
    whole, half = (stand({column: share * value})[column] for share in (1.0, 0.5))
    return (whole - half) / (0.5 * value)


def _totals(figures: Mapping[str, float], known: Mapping[str, Any], stand: Stand) -> dict[str, Any]:
    """Charge and energy: measured as the run's mean current at the voltage that carried it."""
    hours = figures.get("recorded_s", 0.0) / 3600.0
    charge_ah = figures.get("charge_ah", math.nan)
    if "current_a" not in known or not hours > 0.0 or not abs(charge_ah) > 0.0:
        return {}
    means = {"current_a": charge_ah / hours}
    if "voltage_v" in known and math.isfinite(figures.get("energy_wh", math.nan)):
        means["voltage_v"] = figures["energy_wh"] / charge_ah
    mean = stand(means)
    totals = {"charge_ah": mean["current_a"] * hours}
    if "power_w" in mean:
        totals["energy_wh"] = mean["power_w"] * hours
    return totals


def _with_value(measured: Any, value: float) -> Any:
    """`measured`, moved by an exact number: the mean of a ratio is not the ratio of means."""
    return measured + (value - _value(measured))


def _value(measured: Any) -> float:
    return float(getattr(measured, "nominal_value", measured))
