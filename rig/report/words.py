"""The words and numbers of a comparison, the same on the terminal and in a report."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

import numpy as np

from rig.analysis.answers import FAN_EXPONENT, Change, Comparison, Comparisons
from rig.analysis.powertrain import ASSUMPTIONS as ON_PAPER_ASSUMPTIONS
from rig.analysis.rises import TOO_SMALL
from rig.stand.quantities import label_of, unit_of
from rig.text import one_line

_TOLD = (
    "current_a", "voltage_v", "power_w", "speed_rpm", "torque_nm", "thrust_n", "rpm_per_v",
    "shaft_w", "efficiency",
)  # fmt: skip
"""What a comparison tells in few lines; --json has the rest."""

_DRIFTS_TOLD = ("speed_rpm", "current_a")
_PLACES = {"rpm": 0, "W": 1, "A": 2, "V": 2}
_RESULTS = {
    "charge_ah": ("charge, Ah", 3),
    "energy_wh": ("energy, Wh", 3),
    "recorded_s": ("recorded, s", 1),
    "bridged_pct": ("time bridged in charge and energy, %", 1),
    "voltage_rest_v": ("Voltage at rest, V", 2),
    "rpm_per_v": ("Speed per volt under load, rpm/V", 1),
    "supply_ohm": ("Supply's resistance, ohm", 4),
    "shaft_w": ("Shaft power, W", 1),
    "efficiency": ("Efficiency", 4),
}
"""Figures that are no columns: name with unit, and places."""

_EVENTS_NAMED = 5
"""Marks and alarms of a run that a list names; `rig show` has all."""

_NOTHING_PCT = 0.0005
"""Less than this is what the computer's rounding leaves of errors that cancel."""

_DEGC_PARTS = {
    "_rise": "rise, K",
    "_rate": "rate, K/min",
    "_start": "at the start, °C",
    "_end": "at the end of the drive, °C",
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
    """`value` with the places that suit its unit; a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "-"
    if quantity in _RESULTS:
        return f"{value:.{_RESULTS[quantity][1]}f}"
    if quantity.endswith("_degc_rise"):
        return f"{value:.2f}"
    if quantity.endswith(tuple(_DEGC_PARTS)):
        return f"{value:.1f}"
    return f"{value:.{_PLACES.get(unit_of(quantity), 1)}f}"


def answer(comparison: Comparison) -> str:
    """Who was held against whom, and the verdict's word."""
    return f"{comparison.baseline} -> {comparison.variant}: {comparison.verdict.word.upper()}"


def in_short(figures: Mapping[str, float]) -> dict[str, float]:
    """The figures that a run's operator wants at once: with peaks, charge and energy."""
    return {
        quantity: value
        for quantity, value in figures.items()
        if quantity in (*_TOLD, "charge_ah", "energy_wh") or quantity.endswith("_peak")
    }


def told(comparison: Comparison) -> list[Change]:
    """The changes that matter most."""
    return [
        change
        for change in comparison.changes
        if change.quantity in _TOLD or change.quantity.endswith("_rise")
    ]


def change_title(comparison: Comparison) -> str:
    """What stands above a table of `change_rows`."""
    counts = comparison.changes[0].runs if comparison.changes else (0, 0)
    return (
        f"{comparison.baseline} ({counts[0]} runs) to {comparison.variant} ({counts[1]} runs); "
        "+- is the standard deviation between runs"
    )


def change_heads(comparison: Comparison) -> list[str]:
    """The heads of `change_rows`; those of numbers end in a blank."""
    return ["quantity", f"{comparison.baseline} ", f"{comparison.variant} ", "change ", "95 % "]


def change_rows(changes: Sequence[Change]) -> list[tuple[str, ...]]:
    """A row per quantity, as `change_heads` names the cells."""
    return [
        (
            quantity_name(change.quantity) + (f" ({change.note})" if change.note else ""),
            with_spread(change.baseline, change.baseline_spread, change.quantity),
            with_spread(change.variant, change.variant_spread, change.quantity),
            *_change_cells(change),
        )
        for change in changes
    ]


def _change_cells(change: Change) -> tuple[str, str]:
    """The change and its interval, in percent or, for small temperature rises, in kelvin."""
    value, interval, unit = change.change_pct, change.ci95_pct, "%"
    if value is None and change.change_k is not None:
        value, interval, unit = change.change_k, change.ci95_k, "K"
    if value is None:
        return TOO_SMALL if change.why == TOO_SMALL else "-", "-"
    reach = "-" if interval is None else "{:+.2f} to {:+.2f}".format(*interval)
    return f"{value:+.2f} {unit}", reach


BUDGET_HEADS = ("quantity", "scatter ", "stand ", "stand's share ", "its largest part")


def budget_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """What each interval is made of, a row per quantity, as `BUDGET_HEADS` names the cells.

    Standard uncertainties of the change, between runs and from the stand's components, and
    the part of the variance that is the stand's.
    """
    rows: list[tuple[str, ...]] = []
    for change in comparison.changes:
        if change.scatter_pct is None:
            continue
        stand = change.stand_pct if change.stand_pct >= _NOTHING_PCT else 0.0
        variance = change.scatter_pct**2 + stand**2
        share = f"{100.0 * stand**2 / variance:.0f} %" if variance else "-"
        largest = max(change.sources, key=lambda name: change.sources[name], default="-")
        rows.append(
            (
                quantity_name(change.quantity),
                f"{change.scatter_pct:.3f} %",
                f"{stand:.3f} %",
                share,
                largest if stand else "-",
            )
        )
    return rows


ALTERNATIVE_HEADS = ("instead, on paper", "speed ", "current ", "power ", "over a limit")
ON_PAPER = f"on paper: {'; '.join(ON_PAPER_ASSUMPTIONS)}"


def alternative_title(comparison: Comparison) -> str:
    """What stands above a table of `alternative_rows`."""
    return f"what else would do it, from {comparison.baseline}"


def alternative_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """What else would buy the speed, on paper, as `ALTERNATIVE_HEADS` names the cells."""
    return [
        (
            found.name,
            *(
                f"{value:+.1f} +- {2.0 * u:.1f} %"
                for value, u in (found.speed_pct, found.current_pct, found.power_pct)
            ),
            ", ".join(quantity_name(quantity) for quantity in found.exceeds) or "none",
        )
        for found in comparison.alternatives
    ]


def noted(
    notes: str,
    events: Iterable[tuple[float | None, str]],
    *,
    pairs: Mapping[str, str] = MappingProxyType({}),
    cause: str = "",
) -> str:
    """What a run is remembered by, on one line: why it ended, pairs, notes, marks and alarms.

    An alarm that says that a reading is back, or that repeats `cause`, is left out. Of many
    events only the first are named.
    """
    named = [
        event_words(time_s, text)
        for time_s, text in events
        if not text.startswith("cleared: ") and not (cause and cause in text)
    ]
    if len(named) > _EVENTS_NAMED:
        named[_EVENTS_NAMED:] = [f"and {len(named) - _EVENTS_NAMED} more marks or alarms"]
    parts = [cause, *(f"{key}: {value}" for key, value in pairs.items()), notes, *named]
    return "; ".join(one_line(part).removesuffix(".") for part in parts if part.strip())


def event_words(time_s: float | None, text: str) -> str:
    """A mark or an alarm, and when it came."""
    return text if time_s is None else f"at {time_s:.1f} s {text}"


def noted_lines(comparisons: Comparisons) -> list[str]:
    """What was noted of which runs: notes, marks, alarms, and why a run did not end as planned."""
    by_words: dict[str, list[str]] = {}
    for run in comparisons.runs:
        words = noted(run.notes, run.events, cause="" if run.outcome == "done" else run.cause)
        if words:
            by_words.setdefault(words, []).append(run.name)
    return [f"{', '.join(names)}: {words}" for words, names in by_words.items()]


def condition_lines(comparison: Comparison) -> list[str]:
    """What differs besides the change under test."""
    return [
        found.text
        if found.speed_pct is None
        else f"{found.text}; alone worth about {found.speed_pct:+.2f} % speed"
        for found in comparison.conditions
    ]


def drift_line(comparisons: Comparisons) -> str:
    """Whether a drift over the day was taken out, and which."""
    drifts = [
        f"{quantity_name(quantity)} {percent(value, interval)}"
        for quantity, (value, interval) in comparisons.drift_pct.items()
        if quantity in _DRIFTS_TOLD
    ]
    reach = f" From the first run to the last: {'; '.join(drifts)}." if drifts else ""
    return f"{comparisons.drift}{reach}"


def trend_lines(comparisons: Comparisons) -> list[str]:
    """Where the setups are levels of one number: the change per unit of it."""
    return [
        f"{quantity_name(found.quantity)} "
        f"{percent(found.per_unit_pct, found.ci95_pct)} per unit"
        + ("; the setups do not lie on a straight line" if found.lack_of_fit_p < 0.05 else "")
        for found in comparisons.trends
    ]


def cost_lines(comparison: Comparison) -> list[str]:
    """What each percent of speed cost, and what became of the efficiency."""
    lines = []
    for name, ratio in (
        ("current", comparison.current_per_speed),
        ("power", comparison.power_per_speed),
    ):
        if ratio.value is None or ratio.ci95 is None:
            lines.append(f"percent of {name} per percent of speed: not determined, {ratio.why}")
        else:
            low, high = ratio.ci95
            lines.append(
                f"percent of {name} per percent of speed: {ratio.value:.1f} ({low:.1f} to "
                f"{high:.1f}); at unchanged efficiency a fan or propeller takes {FAN_EXPONENT:g}"
            )
    efficiency = comparison.efficiency
    if efficiency.withheld:
        lines.append(f"efficiency: withheld, {efficiency.withheld}")
    elif efficiency.value is not None:
        lines.append(
            f"efficiency, without a torque sensor: {percent(efficiency.value, efficiency.ci95)}; "
            f"taken for granted: {'; '.join(efficiency.assumptions)}"
        )
    if efficiency.measured_pct is not None:
        told = percent(efficiency.measured_pct, efficiency.measured_ci95)
        lines.append(f"efficiency, from the torque sensor: {told}")
    if comparison.vehicle_speed is not None:
        lines.append(f"a vehicle that did 100 would do {comparison.vehicle_speed:.2f}")
    return lines


def percent(value: float, interval: tuple[float, float] | None) -> str:
    """A change and its interval."""
    reach = "no interval" if interval is None else f"{interval[0]:+.2f} to {interval[1]:+.2f}"
    return f"{value:+.2f} % ({reach})"


def with_spread(value: float, spread: float | None, quantity: str) -> str:
    """A mean and the standard deviation between runs."""
    text = number(value, quantity)
    return text if spread is None else f"{text} +- {number(spread, quantity)}"
