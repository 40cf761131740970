"""Tables and a small plot, for `rig runs`, `rig show` and `rig compare`."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from rig.analysis.answers import Comparison, Comparisons
from rig.analysis.runs import Run
from rig.analysis.steps import OverSteps
from rig.report.words import (
    ALTERNATIVE_HEADS,
    ESTIMATED,
    alternative_rows,
    alternative_title,
    answer,
    change_heads,
    change_rows,
    change_title,
    condition_lines,
    cost_lines,
    drift_lines,
    noted_lines,
    number,
    quantity_name,
    rising_mark,
    told,
    trend_lines,
    with_expanded,
)
from rig.text import plain

Floats = NDArray[np.float64]

NARROWEST = 72
"""Columns to print for where there is no terminal to ask."""

FEWEST_OF_A_CURVE = 3
"""Steps; two make no curve."""

_STEP_SHOWN = ("current_a", "voltage_v", "power_w", "speed_rpm")

_NARROWEST_WORDS = 11
"""Columns in which words can still be read: `temperature`."""


def print_table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, title: str = "") -> None:
    """A table on standard output; numbers (heads ending in a blank) to the right."""
    caption = Text(plain(title)) if title else None
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=caption, title_justify="left")
    cells = [[plain(cell) for cell in row] for row in rows]
    whole = _fit(heads, cells, console().width)
    for head in heads:
        is_number = head.endswith(" ")
        justify: Literal["left", "right"] = "right" if is_number else "left"
        name = Text(plain(head.rstrip()))
        table.add_column(name, justify=justify, no_wrap=is_number and whole, overflow="fold")
    for row in cells:
        table.add_row(*map(Text, row))
    console().print(table)


def _fit(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> bool:
    """Whether the numbers fit on one line each beside words that are wrapped."""
    needed = [
        max(map(len, [head.rstrip(), *cells])) if head.endswith(" ") else _NARROWEST_WORDS
        for head, *cells in zip(heads, *rows, strict=True)
    ]
    return sum(needed) + 3 * len(needed) - 1 <= width


def console() -> Console:
    """Where results are printed: never narrower than a table needs."""
    width = max(shutil.get_terminal_size((100, 24)).columns, NARROWEST)
    return Console(width=width, highlight=False, markup=False, emoji=False)


@contextmanager
def progress(title: str) -> Iterator[Callable[[float], None]]:
    """A bar on the error output while something long is done; the share done goes in."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(escape(plain(title)), total=1.0)
        yield lambda share: bar.update(task, completed=share)


def print_figures(
    figures: Mapping[str, float],
    uncertainty: Mapping[str, float],
    still_rising: Sequence[str] = (),
) -> None:
    """The figures of one run, with their expanded uncertainty (k = 2) where it is known."""
    if not figures:
        console().print("This run has no steady part, and so no figures.")
        return
    rows = [
        (
            quantity_name(column) + rising_mark(column, still_rising),
            *with_expanded(value, uncertainty.get(column), column),
        )
        for column, value in figures.items()
        if not column.startswith(("steady_", "hold_"))
    ]
    window = f"steady from {figures['steady_from_s']:.1f} s to {figures['steady_to_s']:.1f} s"
    title = f"{window} after the start of the hold; +- is the expanded uncertainty (k = 2)"
    print_table(["quantity", "mean ", "+- U"], rows, title=title)


def print_steps(run: Run) -> None:
    """A row per throttle step, and why a step has no figures."""
    shown = [q for q in _STEP_SHOWN if any(q in step.figures for step in run.steps)]
    rows = [
        [
            str(step.number),
            f"{step.throttle_pct:g} %",
            "{:.1f} s to {:.1f} s".format(*step.window_s) if step.figures else "-",
            *(number(step.figures.get(quantity), quantity) for quantity in shown),
        ]
        for step in run.steps
    ]
    heads = ["step ", "throttle ", "steady", *(f"{quantity_name(quantity)} " for quantity in shown)]
    print_table(heads, rows, title="each throttle step; times from the start of its own hold")
    for step in run.steps:
        if step.why:
            _say(f"step {step.number}: {step.why}")


def print_comparisons(comparisons: Comparisons) -> None:
    """For each variant the answer first, then the numbers behind it; the warnings last."""
    for comparison in comparisons.variants:
        _print_comparison(comparison)
    for line in drift_lines(comparisons):
        _say(f"note: {line}")
    for line in trend_lines(comparisons):
        _say(f"trend: {line}")
    for warning in comparisons.warnings:
        _say(f"note: {warning}")
    for line in noted_lines(comparisons):
        _say(f"noted: {line}")


def _print_comparison(comparison: Comparison) -> None:
    console().print()
    _say(answer(comparison))
    _say(comparison.verdict.sentence)
    print_table(
        change_heads(comparison), change_rows(told(comparison)), title=change_title(comparison)
    )
    for line in cost_lines(comparison):
        _say(line)
    rows = alternative_rows(comparison)
    if rows:
        print_table(ALTERNATIVE_HEADS, rows, title=alternative_title(comparison))
        _say(ESTIMATED)
    for line in condition_lines(comparison):
        _say(f"difference in the conditions: {line}")


def _say(line: str) -> None:
    console().print(plain(line), soft_wrap=True)


def print_plot(
    frame: pd.DataFrame,
    columns: Sequence[str] = ("speed_rpm", "current_a"),
    zero_s: float | None = None,
    since: str = "the last hold",
) -> None:
    """Each of `columns` over time, one small plot under the other; gaps stay gaps.

    Time counts from `zero_s`, the start of the throttle hold named `since`, where there is one.
    """
    for column in (column for column in columns if column in frame):
        time_s, values = _thinned(frame, column, 2 * _plot_width())
        if len(time_s):
            name = "s" if zero_s is None else f"s from the start of {since}"
            _plot(time_s - (zero_s or 0.0), values, quantity_name(column), name)


def print_curves(over: OverSteps) -> None:
    """Power and current over speed, where three or more steps have them."""
    for column, values in (("power_w", over.power_w), ("current_a", over.current_a)):
        known = np.isfinite(over.speed_rpm) & np.isfinite(values)
        if known.sum() >= FEWEST_OF_A_CURVE:
            name = f"{quantity_name(column)}, over speed; a dot is a step"
            _plot(over.speed_rpm[known], values[known], name, "rpm", dots=True)


def _plot(x: Floats, y: Floats, title: str, x_name: str, *, dots: bool = False) -> None:
    """One small plot as wide as the terminal, a line through the points."""
    import plotext

    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(_plot_width(), 12)
    plotext.plot(x.tolist(), y.tolist(), marker="braille")
    if dots:
        plotext.scatter(x.tolist(), y.tolist(), marker="●")
    plotext.title(title)
    plotext.xlabel(x_name)
    console().print(plotext.uncolorize(plotext.build()), soft_wrap=True)


def _plot_width() -> int:
    return min(max(shutil.get_terminal_size((80, 24)).columns, NARROWEST), 110)


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
