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

from rig.analysis.comparison import Change, Comparison, Comparisons
from rig.stand.quantities import label_of, unit_of
from rig.text import plain

Floats = NDArray[np.float64]

NARROWEST = 72
"""Columns to print for where there is no terminal to ask."""

_PLACES = {"rpm": 0, "W": 1, "A": 2, "V": 2}
_RESULT_UNITS = {"charge_ah": "Ah", "energy_wh": "Wh"}
_RESULT_LABELS = {"charge_ah": "charge", "energy_wh": "energy"}


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


def quantity_name(column: str) -> str:
    """What a person calls a column, with its unit."""
    if column in _RESULT_LABELS:
        return f"{_RESULT_LABELS[column]}, {_RESULT_UNITS[column]}"
    if column.endswith("_degc_rise"):
        return f"{label_of(column.removesuffix('_rise'))} rise, K"
    return f"{label_of(column)}, {unit_of(column)}"


def number(value: float | None, column: str) -> str:
    """`value` with the places that suit its unit; a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "-"
    unit = "" if column in _RESULT_UNITS or column.endswith("_rise") else unit_of(column)
    return f"{value:.{3 if column in _RESULT_UNITS else _PLACES.get(unit, 1)}f}"


def print_figures(figures: Mapping[str, float]) -> None:
    """The figures of one run."""
    if not figures:
        console().print("This run has no steady part, and so no figures.")
        return
    rows = [
        (quantity_name(column), number(value, column))
        for column, value in figures.items()
        if not column.startswith("steady_")
    ]
    title = f"steady from {figures['steady_from_s']:.1f} s to {figures['steady_to_s']:.1f} s"
    print_table(["quantity", "mean "], rows, title=title)


def print_comparisons(comparisons: Comparisons) -> None:
    """Each variant against the baseline, and the warnings."""
    for comparison in comparisons.variants:
        _print_comparison(comparison)
    for warning in comparisons.warnings:
        console().print(plain(f"note: {warning}"), soft_wrap=True)


def _print_comparison(comparison: Comparison) -> None:
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
        )
        for change in comparison.changes
    ]
    heads = ["quantity", f"{comparison.baseline} ", f"{comparison.variant} ", "change "]
    print_table(heads, rows, title=title)


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
