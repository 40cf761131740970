"""The words and numbers of a comparison, the same on the terminal and in a report."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from rig.analysis.answers import FAN_EXPONENT, Change, Comparison, Comparisons
from rig.analysis.powertrain import ASSUMPTIONS as ESTIMATE_ASSUMPTIONS
from rig.analysis.rises import TOO_SMALL
from rig.analysis.runs import Run
from rig.rounding import fixed, with_interval, with_uncertainty
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
    "charge_ah": ("Charge, Ah", 3),
    "energy_wh": ("Energy, Wh", 3),
    "recorded_s": ("Recorded, s", 1),
    "bridged_pct": ("Time bridged in charge and energy, %", 1),
    "voltage_rest_v": ("Voltage at rest, V", 2),
    "rpm_per_v": ("Speed per volt under load, rpm/V", 1),
    "supply_ohm": ("Supply's resistance, ohm", 4),
    "shaft_w": ("Shaft power, W", 1),
    "efficiency": ("Efficiency", 4),
}
"""Figures that are no columns: name with unit, and places."""

_EVENTS_NAMED = 5
"""Marks and alarms of a run that a list names; `rig show` has all."""

_NOTHING = 0.0005
"""Less than this is what the computer's rounding leaves of errors that cancel."""

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


def answer(comparison: Comparison) -> str:
    """Which setups are compared, at which step, and the verdict's word."""
    step = f", {comparison.step}" if comparison.step else ""
    word = comparison.verdict.word.upper()
    return f"{comparison.baseline} -> {comparison.variant}{step}: {word}"


def hold_words(runs: Sequence[Run]) -> str:
    """What the times of `runs` count from the start of."""
    last = all(run.step == len(run.steps) for run in runs)
    return "the last throttle hold" if last else "the throttle hold of the step"


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
        "+- SD: standard deviation between runs"
    )


def change_heads(comparison: Comparison) -> list[str]:
    """The heads of `change_rows`; those of numbers end in a blank."""
    setups = (comparison.baseline, comparison.variant)
    return ["quantity", *(f"{setup} +- SD " for setup in setups), "change ", "95 % interval "]


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
    """The change and its interval; of a large temperature rise also in percent."""
    if change.change is None:
        return TOO_SMALL if change.why == TOO_SMALL else "-", "-"
    of_rise = "" if change.rise_pct is None else f" ({fixed(change.rise_pct, 1, sign=True)} %)"
    if change.ci95 is None:
        return f"{fixed(change.change, 2, sign=True)} {change.unit}{of_rise}", "-"
    value, low, high = with_interval(change.change, *change.ci95, sign=True)
    return f"{value} {change.unit}{of_rise}", f"{low} to {high}"


BUDGET_HEADS = ("quantity", "scatter ", "known ", "known's share ", "its largest part")


def budget_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """What each interval is made of, a row per quantity, as `BUDGET_HEADS` names the cells.

    Standard uncertainties of the change: from the scatter between runs, and from what is known
    beforehand (the stand's components, the conditions); and the latter's part of the variance.
    """
    rows: list[tuple[str, ...]] = []
    for change in comparison.changes:
        if change.scatter is None:
            continue
        known = change.known if change.known >= _NOTHING else 0.0
        variance = change.scatter**2 + known**2
        share = f"{100.0 * known**2 / variance:.0f} %" if variance else "-"
        largest = max(change.sources, key=lambda name: change.sources[name], default="-")
        rows.append(
            (
                quantity_name(change.quantity),
                f"{_u(change.scatter)} {change.unit}",
                f"{_u(known)} {change.unit}",
                share,
                largest if known else "-",
            )
        )
    return rows


def _u(value: float) -> str:
    """A standard uncertainty by itself."""
    return with_uncertainty(0.0, value)[1]


ALTERNATIVE_HEADS = (
    "instead", "speed, % ", "current, % ", "power, % ", "thrust, % ", "limits passed",
)  # fmt: skip
ESTIMATED = f"estimated, assuming: {'; '.join(ESTIMATE_ASSUMPTIONS)}"


def alternative_title(comparison: Comparison) -> str:
    """What stands above a table of `alternative_rows`."""
    return (
        f"what else would give that speed, estimated from {comparison.baseline}; "
        "+- is the expanded uncertainty (k = 2)"
    )


def alternative_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """What else would give the speed, estimated, as `ALTERNATIVE_HEADS` names the cells."""
    return [
        (
            found.name,
            *(
                "{} +- {}".format(*with_uncertainty(value, 2.0 * u, otherwise=1, sign=True))
                for value, u in (
                    found.speed_pct,
                    found.current_pct,
                    found.power_pct,
                    found.thrust_pct,
                )
            ),
            "; ".join(found.exceeds) or "none",
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
    """What differs in addition to the change under test."""
    return [
        found.text
        if found.speed_pct is None
        else f"{found.text}; its likely effect is {fixed(found.speed_pct, 2, sign=True)} % speed"
        for found in comparison.conditions
    ]


def drift_lines(comparisons: Comparisons) -> list[str]:
    """What the order of the runs lets them show, and the drift that was taken out."""
    orders: dict[str, list[str]] = {}
    for item in comparisons.variants:
        orders.setdefault(item.order, []).append(item.variant)
    lines = [
        words if len(orders) == 1 else f"{', '.join(setups)}: {words}"
        for words, setups in orders.items()
    ]
    drifts = [
        f"{quantity_name(quantity)} {percent(value, interval)}"
        for quantity, (value, interval) in comparisons.drift_pct.items()
        if quantity in _DRIFTS_TOLD
    ]
    if drifts:
        lines.append(f"Drift from the first run to the last: {'; '.join(drifts)}.")
    return lines


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
            value, low, high = with_interval(ratio.value, *ratio.ci95)
            lines.append(
                f"percent of {name} per percent of speed: {value} ({low} to {high}); "
                f"at unchanged efficiency a fan or propeller takes {FAN_EXPONENT:g}"
            )
    efficiency = comparison.efficiency
    if efficiency.withheld:
        lines.append(f"efficiency: withheld, {efficiency.withheld}")
    elif efficiency.value is not None:
        lines.append(
            f"efficiency, without a torque sensor: {percent(efficiency.value, efficiency.ci95)}; "
            f"assuming: {'; '.join(efficiency.assumptions)}"
        )
    if efficiency.measured_pct is not None:
        told = percent(efficiency.measured_pct, efficiency.measured_ci95)
        lines.append(f"efficiency, from the torque sensor: {told}")
    if comparison.vehicle_speed is not None:
        lines.append(f"a vehicle that did 100 would do {comparison.vehicle_speed:.2f}")
    return lines


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
