"""Names of quantities, and numbers as text: the same in every report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.analysis.answers import Change, Comparison
from rig.analysis.runs import Run
from rig.rounding import fixed, with_interval, with_uncertainty
from rig.stand.quantities import label_of, unit_of

_MAIN = (
    "current_a", "voltage_v", "power_w", "speed_rpm", "torque_nm", "thrust_n", "rpm_per_v",
    "shaft_w", "efficiency",
)  # fmt: skip
"""The quantities that matter most; `--json` has the rest."""

_PLACES = {"rpm": 0, "W": 1, "A": 2, "V": 2}
_RESULTS = {
    "charge_ah": ("Charge, Ah", 3),
    "energy_wh": ("Energy, Wh", 3),
    "recorded_s": ("Recorded, s", 1),
    "bridged_pct": ("Time bridged in charge and energy, %", 1),
    "voltage_rest_v": ("Voltage at rest, V", 2),
    "rpm_per_v": ("Speed per volt under load, rpm/V", 1),
    "supply_ohm": ("Supply's resistance, ohm", 4),
    "shaft_w": ("Shaft power, W", 1),
    "efficiency": ("Efficiency", 4),
    "reference_count": ("Reference channel, counts of one conversion", 2),
}
"""Figures that are no columns: name with unit, and places."""

_DEGC_PARTS = {
    "_rise": "rise, K",
    "_rate": "rate, K/min",
    "_start": "at the start, °C",
    "_end": "at the end of the hold, °C",
    "_peak": "peak, °C",
    "_expected_peak": "peak expected, °C",
}


def quantity_name(quantity: str) -> str:
    """What a person calls a figure, with its unit."""
    if quantity in _RESULTS:
        return _RESULTS[quantity][0]
    for ending, words in _DEGC_PARTS.items():
        if quantity.endswith(f"_degc{ending}"):
            return f"{label_of(quantity.removesuffix(ending))} {words}"
    return f"{label_of(quantity)}, {unit_of(quantity)}"


def rising_mark(quantity: str, still_rising: Sequence[str]) -> str:
    """What is added to the name of a peak or rise that the recording did not see the end of."""
    column, _, part = quantity.rpartition("_")
    return " (still rising)" if part in ("peak", "rise") and column in still_rising else ""


def number(value: float | None, quantity: str) -> str:
    """`value` with the places that suit its unit; a dash where there is none.

    For values without an uncertainty; the others are rounded by `rig.rounding`.
    """
    return "-" if value is None else fixed(value, _places(quantity))


def _places(quantity: str) -> int:
    if quantity in _RESULTS:
        return _RESULTS[quantity][1]
    if quantity.endswith("_degc_rise"):
        return 2
    if quantity.endswith(tuple(_DEGC_PARTS)):
        return 1
    return _PLACES.get(unit_of(quantity), 1)


def hold_words(runs: Sequence[Run]) -> str:
    """What the times of `runs` count from the start of."""
    last = all(run.step == len(run.steps) for run in runs)
    return "the last throttle hold" if last else "the throttle hold of the step"


def in_short(figures: Mapping[str, float]) -> dict[str, float]:
    """The figures that a run's operator wants at once: with peaks, charge and energy."""
    return {
        quantity: value
        for quantity, value in figures.items()
        if quantity in (*_MAIN, "charge_ah", "energy_wh") or quantity.endswith("_peak")
    }


def main_changes(comparison: Comparison) -> list[Change]:
    """The changes that matter most."""
    return [
        change
        for change in comparison.changes
        if change.quantity in _MAIN or change.quantity.endswith("_rise")
    ]


def percent(value: float, interval: tuple[float, float] | None) -> str:
    """A change and its 95 % interval."""
    if interval is None:
        return f"{fixed(value, 2, sign=True)} % (no interval)"
    text, low, high = with_interval(value, *interval, sign=True)
    return f"{text} % ({low} to {high})"


def with_expanded(value: float, u: float | None, quantity: str) -> tuple[str, str]:
    """A mean and twice its standard uncertainty, the latter empty where it is not known."""
    if u is None:
        return number(value, quantity), ""
    text, expanded = with_uncertainty(value, 2.0 * u, otherwise=_places(quantity))
    return text, f"+- {expanded}"


def with_spread(value: float, spread: float | None, quantity: str) -> str:
    """A mean and the standard deviation between runs."""
    if spread is None:
        return number(value, quantity)
    return " +- ".join(with_uncertainty(value, spread, otherwise=_places(quantity)))
