"""The figures of a report, as SVG that stands inside an HTML page.

Colours are those of Okabe and Ito ("Color Universal Design", 2008), made for all kinds of
colour vision; a setup has a marker and a line of its own too, so that grey paper will do.
Setups are named in a key outside the drawings: the only text from files in here is the name
of a column. The same input gives the same bytes.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from rig.analysis.answers import Comparison, Comparisons
from rig.analysis.contrasts import critical
from rig.analysis.runs import Run
from rig.report.traces import Trace
from rig.report.words import quantity_name, told
from rig.text import plain


@dataclass(frozen=True, slots=True)
class Look:
    """How one setup is drawn; `sign` is its marker as a character."""

    colour: str
    marker: str
    sign: str
    line: str
    line_name: str


_COLOURS = ("#000000", "#D55E00", "#0072B2", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
_MARKERS = (("o", "●"), ("s", "■"), ("^", "▲"), ("D", "◆"), ("v", "▼"))
_LINES = (("-", "solid"), ("--", "dashed"), (":", "dotted"), ("-.", "dash-dotted"))

_STYLE = {
    "axes.formatter.useoffset": False,
    "axes.grid": True,
    "axes.labelsize": "medium",
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": "medium",
    "figure.facecolor": "none",
    "font.family": ["sans-serif"],
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.6,
    "svg.fonttype": "none",
    "text.parse_math": False,
}
_WIDTH_IN = 4.6
"""Narrow, so that the words in it can still be read where the page is a telephone."""

_NAME_LENGTH = 40
_SHADE = "#e8e8e8"


def looks(setups: Sequence[str]) -> dict[str, Look]:
    """How each setup is drawn, the baseline first."""
    return {
        setup: Look(
            _COLOURS[index % len(_COLOURS)],
            *_MARKERS[index % len(_MARKERS)],
            *_LINES[index % len(_LINES)],
        )
        for index, setup in enumerate(setups)
    }


def changes_plot(comparisons: Comparisons, look: Mapping[str, Look]) -> str:
    """The percent changes with their intervals, a row per quantity, speed first; no rises.

    Rises of a few tenths of a kelvin have intervals of tens of percent, beside which nothing shows.
    """
    rows = [list(percents(item)) for item in comparisons.variants]
    names = list(dict.fromkeys(name for row in rows for name, _, _ in row))
    height = 0.7 + len(names) * (0.16 + 0.18 * len(rows))
    with _drawing("changes", height) as (figure, drawn):
        axes = figure.subplots()
        for index, (item, row) in enumerate(zip(comparisons.variants, rows, strict=True)):
            found = look[item.variant]
            shift = (index - (len(rows) - 1) / 2.0) * 0.7 / len(rows)
            for name, value, interval in row:
                at = names.index(name) + shift
                if interval is not None:
                    axes.plot(interval, (at, at), color=found.colour, linewidth=2.0)
                    axes.plot(interval, (at, at), "|", color=found.colour, markersize=7.0)
                axes.plot(value, at, found.marker, color=found.colour, markersize=5.0)
        axes.axvline(0.0, color="black", linewidth=1.0)
        axes.set_yticks(range(len(names)), names)
        axes.set_ylim(len(names) - 0.5, -0.5)
        axes.grid(visible=False, axis="y")
        axes.set_xlabel("change from the baseline, %")
    return drawn()


def percents(item: Comparison) -> Iterator[tuple[str, float, tuple[float, float] | None]]:
    """What `changes_plot` shows of a variant: name, change, and interval where there is one."""
    for change in sorted(told(item), key=lambda change: change.quantity != "speed_rpm"):
        if change.change is not None and change.unit == "%":
            yield _name(change.quantity).rpartition(",")[0], change.change, change.ci95
    if item.efficiency.value is not None:
        yield "Efficiency by affinity laws", item.efficiency.value, item.efficiency.ci95


def runs_plot(runs: Sequence[Run], columns: Sequence[str], look: Mapping[str, Look]) -> str:
    """A dot per run in order of time, each setup's mean and its 95 % interval at the right."""
    with _drawing("runs", 0.4 + 1.45 * len(columns)) as (figure, drawn):
        for axes, column in _panels(figure, columns):
            for index, (setup, found) in enumerate(look.items()):
                order = [place for place, run in enumerate(runs, 1) if run.setup == setup]
                values = [runs[place - 1].figures[column] for place in order]
                if not values:
                    continue
                axes.plot(order, values, found.marker, color=found.colour, markersize=5.0)
                mean, reach = _mean(values)
                axes.axhline(mean, color=found.colour, linestyle=found.line, linewidth=0.8)
                at = len(runs) + 1.2 + 0.8 * index
                axes.errorbar(
                    at, mean, reach, fmt=found.marker, color=found.colour, capsize=4.0,
                    markersize=5.0, markerfacecolor="white",
                )  # fmt: skip
            axes.axvline(len(runs) + 0.6, color="#888888", linewidth=0.6)
            axes.margins(y=0.12)
            axes.set_xlim(0.4, len(runs) + 0.9 + 0.8 * len(look))
            axes.xaxis.set_major_locator(MaxNLocator(integer=True))
            axes.set_xticks([tick for tick in axes.get_xticks() if 1 <= tick <= len(runs)])
        figure.axes[-1].set_xlabel("run, in order of time; right of the line: means")
    return drawn()


def _mean(values: Sequence[float]) -> tuple[float, float]:
    """The mean and half its 95 % interval; 0 where one run gives none."""
    count = len(values)
    if count < 2:
        return values[0], 0.0
    return float(np.mean(values)), critical(count - 1) * float(np.std(values, ddof=1)) / count**0.5


def traces_plot(
    traces: Sequence[tuple[Look, Trace]],
    columns: Sequence[str],
    steady_s: tuple[float, float] | None,
    since: str,
    *,
    driven_only: bool,
) -> str:
    """Every run over time from the throttle hold named `since`, the common steady part shaded.

    With `driven_only` no more than the drive and what comes right before and after it.
    """
    name = "driven" if driven_only else "whole"
    with _drawing(name, 0.4 + 1.55 * len(columns)) as (figure, drawn):
        for axes, column in _panels(figure, columns):
            if steady_s is not None:
                axes.axvspan(*steady_s, color=_SHADE, linewidth=0.0)
            for look, trace in traces:
                if column in trace.low:
                    _draw(axes, look, trace, column)
            if driven_only:
                _around_the_drive(axes, [trace for _, trace in traces])
        figure.axes[-1].set_xlabel(f"s from the start of {since}")
    return drawn()


def _draw(axes: Axes, look: Look, trace: Trace, column: str) -> None:
    low, high = trace.low[column], trace.high[column]
    axes.fill_between(trace.time_s, low, high, color=look.colour, alpha=0.25, linewidth=0.0)
    axes.plot(
        trace.time_s, (low + high) / 2.0, color=look.colour, linestyle=look.line, linewidth=0.9
    )


def _around_the_drive(axes: Axes, traces: Sequence[Trace]) -> None:
    driven = np.array([trace.driven_s for trace in traces])
    if np.isfinite(driven).all():
        start_s, end_s = driven[:, 0].min(), driven[:, 1].max()
        room_s = 0.1 * (end_s - start_s)
        axes.set_xlim(start_s - room_s, end_s + 2.0 * room_s)


def _panels(figure: Figure, columns: Sequence[str]) -> Iterator[tuple[Axes, str]]:
    """A panel per column, one under the other, its name above it."""
    all_axes = figure.subplots(len(columns), sharex=True, squeeze=False)[:, 0]
    for axes, column in zip(all_axes, columns, strict=True):
        axes.set_title(_name(column))
        yield axes, column


def _name(quantity: str) -> str:
    name = plain(quantity_name(quantity)).replace("\n", " ")
    return name if len(name) <= _NAME_LENGTH else f"{name[: _NAME_LENGTH - 1]}…"


@contextmanager
def _drawing(name: str, height_in: float) -> Iterator[tuple[Figure, Callable[[], str]]]:
    """A figure to draw on, and what then gives it as SVG, within our style and nobody's own."""
    with style.context(["default", {**_STYLE, "svg.hashsalt": name}]):
        figure = Figure(figsize=(_WIDTH_IN, height_in), layout="constrained")
        drawn: list[str] = []
        yield figure, lambda: drawn[0]
        file = io.StringIO()
        figure.savefig(file, format="svg", metadata=dict.fromkeys(_METADATA))
        drawn.append(_for_html(file.getvalue()))


_METADATA = ("Creator", "Date", "Format", "Type")


def _for_html(svg: str) -> str:
    """An SVG file as an element of an HTML page: no prologue, no addresses, short numbers.

    Identifiers of groups go, since figures would share them; those of markers and clips stay,
    and are apart by the figure's salt.
    """
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, count=1, flags=re.DOTALL)
    head, rest = svg.split(">", 1)
    box = re.search(r'viewBox="[-0-9. ]+"', head)
    rest = rest.replace("xlink:href=", "href=").replace('<g id="', '<g class="')
    rest = re.sub(r'<g class="[^"]*">', "<g>", rest)
    rest = re.sub(r' d="[^"]*"', lambda path: _DIGITS.sub(r"\1", path[0]), rest)
    return f'<svg {box[0] if box else ""} aria-hidden="true">{rest}'


_DIGITS = re.compile(r"(\.\d\d)\d+")


def common(spans: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """The part that all of `spans` have in common, if there is one."""
    known = [span for span in spans if all(map(math.isfinite, span))]
    if not known:
        return None
    start, end = max(span[0] for span in known), min(span[1] for span in known)
    return (start, end) if start < end else None
