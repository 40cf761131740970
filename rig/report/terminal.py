"""Tables and a small plot, for `rig runs`, `rig show` and `rig compare`."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from rich import box
from rich.console import Console
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from rig.analysis.comparison import FAN_EXPONENT, Change, Comparison, Comparisons
from rig.analysis.powertrain import ASSUMPTIONS
from rig.stand.quantities import label_of, unit_of
from rig.text import plain

Floats = NDArray[np.float64]

NARROWEST = 72
"""Columns to print for where there is no terminal to ask."""

_TOLD = (
    "current_a", "voltage_v", "power_w", "speed_rpm", "torque_nm", "thrust_n", "rpm_per_v",
    "shaft_w", "efficiency",
)  # fmt: skip
"""What a comparison on the terminal tells; --json has the rest."""

_DRIFTS_TOLD = ("speed_rpm", "current_a")
_PLACES = {"rpm": 0, "W": 1, "A": 2, "V": 2}
_RESULTS = {
    "charge_ah": ("charge, Ah", 3),
    "energy_wh": ("energy, Wh", 3),
    "voltage_rest_v": ("Voltage at rest, V", 2),
    "rpm_per_v": ("Speed per volt under load, rpm/V", 1),
    "supply_ohm": ("Supply's resistance, ohm", 4),
    "shaft_w": ("Shaft power, W", 1),
    "efficiency": ("Efficiency", 4),
}
"""Figures that are no columns: name with unit, and places."""

_DEGC_PARTS = {
    "_rise": "rise, K",
    "_rate": "rate, K/min",
    "_start": "at the start, °C",
    "_end": "at the end of the drive, °C",
    "_peak": "peak, °C",
}


def print_table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, title: str = "") -> None:
    """A table on standard output; numbers (heads ending in a blank) to the right."""
    table = Table(box=box.SIMPLE_HEAD, title=plain(title) or None, title_justify="left")
    for head in heads:
        table.add_column(Text(head.rstrip()), justify="right" if head.endswith(" ") else "left")
    for row in rows:
        table.add_row(*(Text(plain(cell)) for cell in row))
    console().print(table)


def console() -> Console:
    """Where results are printed: never narrower than a table needs."""
    width = max(shutil.get_terminal_size((100, 24)).columns, NARROWEST)
    return Console(width=width, highlight=False, markup=False, emoji=False)


@contextmanager
def progress(title: str) -> Iterator[Callable[[float], None]]:
    """A bar on the error output while something long is done; the share done goes in."""
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(Text(plain(title)).plain, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def quantity_name(quantity: str) -> str:
    """What a person calls a figure, with its unit."""
    if quantity in _RESULTS:
        return _RESULTS[quantity][0]
    for ending, words in _DEGC_PARTS.items():
        if quantity.endswith(f"_degc{ending}"):
            return f"{label_of(quantity.removesuffix(ending))} {words}"
    return f"{label_of(quantity)}, {unit_of(quantity)}"


def number(value: float | None, quantity: str) -> str:
    """`value` with the places that suit its unit; a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "-"
    if quantity in _RESULTS:
        return f"{value:.{_RESULTS[quantity][1]}f}"
    if quantity.endswith(tuple(_DEGC_PARTS)):
        return f"{value:.1f}"
    return f"{value:.{_PLACES.get(unit_of(quantity), 1)}f}"


def print_figures(figures: Mapping[str, float], uncertainty: Mapping[str, float]) -> None:
    """The figures of one run, with twice their standard uncertainty where it is known."""
    if not figures:
        console().print("This run has no steady part, and so no figures.")
        return
    rows = [
        (
            quantity_name(column),
            number(value, column),
            f"+- {number(2.0 * uncertainty[column], column)}" if column in uncertainty else "",
        )
        for column, value in figures.items()
        if not column.startswith("steady_")
    ]
    title = f"steady from {figures['steady_from_s']:.1f} s to {figures['steady_to_s']:.1f} s"
    print_table(["quantity", "mean ", "known to"], rows, title=title)


def print_holds(holds: Sequence[Mapping[str, float]]) -> None:
    """A row per throttle hold."""
    shown = [q for q in ("current_a", "voltage_v", "power_w", "speed_rpm") if q in holds[0]]
    rows = [
        [
            f"{hold['throttle_pct']:g} %",
            f"{hold['from_s']:.1f} s to {hold['to_s']:.1f} s",
            *(number(hold[quantity], quantity) for quantity in shown),
        ]
        for hold in holds
    ]
    heads = ["throttle ", "steady", *(f"{quantity_name(quantity)} " for quantity in shown)]
    print_table(heads, rows, title="each throttle hold")


def print_comparisons(comparisons: Comparisons) -> None:
    """For each variant the answer first, then the numbers behind it; the warnings last."""
    for comparison in comparisons.variants:
        _print_comparison(comparison)
    say = console().print
    if comparisons.variants:
        drifts = [
            f"{quantity_name(quantity)} {_percent(value, interval)}"
            for quantity, (value, interval) in comparisons.drift_pct.items()
            if quantity in _DRIFTS_TOLD
        ]
        told = f" From the first run to the last: {'; '.join(drifts)}." if drifts else ""
        say(plain(f"note: {comparisons.drift}{told}"), soft_wrap=True)
    for found in comparisons.trends:
        bent = "; the setups do not lie on a straight line" if found.lack_of_fit_p < 0.05 else ""
        say(
            plain(
                f"trend: {quantity_name(found.quantity)} "
                f"{_percent(found.per_unit_pct, found.ci95_pct)} per unit{bent}"
            ),
            soft_wrap=True,
        )
    for warning in comparisons.warnings:
        say(plain(f"note: {warning}"), soft_wrap=True)


def _print_comparison(comparison: Comparison) -> None:
    say = console().print
    verdict = comparison.verdict
    say()
    say(plain(f"{comparison.baseline} -> {comparison.variant}: {verdict.word.upper()}"))
    say(plain(verdict.sentence), soft_wrap=True)
    counts = comparison.changes[0].runs if comparison.changes else (0, 0)
    title = (
        f"{comparison.baseline} ({counts[0]} runs) to {comparison.variant} ({counts[1]} runs); "
        "+- is the standard deviation between runs"
    )
    rows = [
        (
            quantity_name(change.quantity),
            _with_spread(change.baseline, change.baseline_spread, change),
            _with_spread(change.variant, change.variant_spread, change),
            "-" if change.change_pct is None else f"{change.change_pct:+.2f} %",
            "-" if change.ci95_pct is None else "{:+.2f} to {:+.2f}".format(*change.ci95_pct),
        )
        for change in comparison.changes
        if change.quantity in _TOLD or change.quantity.endswith("_rise")
    ]
    heads = ["quantity", f"{comparison.baseline} ", f"{comparison.variant} ", "change ", "95 % "]
    print_table(heads, rows, title=title)
    for line in cost_lines(comparison):
        say(plain(line), soft_wrap=True)
    print_alternatives(comparison)
    for found in comparison.conditions:
        effect = (
            "" if found.speed_pct is None else f"; alone worth about {found.speed_pct:+.2f} % speed"
        )
        say(plain(f"not the change under test: {found.text}{effect}"), soft_wrap=True)


def print_alternatives(comparison: Comparison) -> None:
    """What else would buy the speed, on paper."""
    rows = [
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
    if rows:
        print_table(
            ["instead, on paper", "speed ", "current ", "power ", "over a limit"],
            rows,
            title=f"what else would do it, from {comparison.baseline}",
        )
        console().print(plain(f"on paper: {'; '.join(ASSUMPTIONS)}"), soft_wrap=True)


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
            f"efficiency, without a torque sensor: {_percent(efficiency.value, efficiency.ci95)}; "
            f"taken for granted: {'; '.join(efficiency.assumptions)}"
        )
    if efficiency.measured_pct is not None:
        told = _percent(efficiency.measured_pct, efficiency.measured_ci95)
        lines.append(f"efficiency, from the torque sensor: {told}")
    return lines


def _percent(value: float, interval: tuple[float, float] | None) -> str:
    reach = "no interval" if interval is None else f"{interval[0]:+.2f} to {interval[1]:+.2f}"
    return f"{value:+.2f} % ({reach})"


def _with_spread(value: float, spread: float | None, change: Change) -> str:
    text = number(value, change.quantity)
    return text if spread is None else f"{text} +- {number(spread, change.quantity)}"


def print_plot(frame: pd.DataFrame, columns: Sequence[str] = ("speed_rpm", "current_a")) -> None:
    """Each of `columns` over time, one small plot under the other; gaps stay gaps."""
    import plotext

    shown = [column for column in columns if column in frame]
    width = min(max(shutil.get_terminal_size((80, 24)).columns, NARROWEST), 110)
    for column in shown:
        time_s, values = _thinned(frame, column, 2 * width)
        if not len(time_s):
            continue
        plotext.clear_figure()
        plotext.theme("clear")
        plotext.plot_size(width, 12)
        plotext.plot(time_s.tolist(), values.tolist(), marker="braille")
        plotext.title(quantity_name(column))
        plotext.xlabel("s")
        console().print(plotext.build(), soft_wrap=True)


def _thinned(
    frame: pd.DataFrame, column: str, parts: int
) -> tuple[
    np.ndarray[tuple[int], np.dtype[np.float64]], np.ndarray[tuple[int], np.dtype[np.float64]]
]:
    """Lowest and highest value of each part, so that no short peak is left out."""
    known = frame[["time_s", column]].dropna().to_numpy(dtype=float)
    chosen: list[int] = []
    for part in np.array_split(np.arange(len(known)), parts):
        if len(part):
            chosen += sorted({part[known[part, 1].argmin()], part[known[part, 1].argmax()]})
    return known[chosen, 0], known[chosen, 1]
