"""The figures of a report, as SVG that stands inside an HTML page.

Setups are named in a key outside the drawings: the only text from files in here is the name
of a column. The same input gives the same bytes. The one module that imports matplotlib.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

import numpy as np
from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from rig.analysis.answers import Interval
from rig.analysis.contrasts import critical
from rig.analysis.curves.answers import Curves
from rig.analysis.runs import Run
from rig.report.document import Svg
from rig.report.looks import Look
from rig.report.traces import Trace
from rig.report.words import quantity_name
from rig.text import plain

Percent = tuple[str, float, Interval | None]
"""What it is that changed, the change in percent, and its interval where there is one."""

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


def changes_plot(variants: Mapping[str, Sequence[Percent]], look: Mapping[str, Look]) -> Svg:
    """The percent changes of each variant with their intervals, a row per quantity."""
    names = list(dict.fromkeys(name for row in variants.values() for name, _, _ in row))
    height = 0.7 + len(names) * (0.16 + 0.18 * len(variants))
    with _drawing("changes", height) as (figure, drawn):
        axes = figure.subplots()
        for index, (variant, row) in enumerate(variants.items()):
            found = look[variant]
            shift = (index - (len(variants) - 1) / 2.0) * 0.7 / len(variants)
            for name, value, interval in row:
                at = names.index(name) + shift
                if interval is not None:
                    axes.plot(interval, (at, at), color=found.colour, linewidth=2.0)
                    axes.plot(interval, (at, at), "|", color=found.colour, markersize=7.0)
                axes.plot(value, at, found.marker, color=found.colour, markersize=5.0)
        axes.axvline(0.0, color="black", linewidth=1.0)
        axes.set_yticks(range(len(names)), list(map(_short, names)))
        axes.set_ylim(len(names) - 0.5, -0.5)
        axes.grid(visible=False, axis="y")
        axes.set_xlabel("change from the baseline, %")
    return drawn()


def equal_speed_plot(found: Sequence[tuple[str, str, Curves]], look: Mapping[str, Look]) -> Svg:
    """Power over speed for each setup, and below it the change at equal speed with its bands."""
    with _drawing("equal-speed", 3.6) as (figure, drawn):
        above, below = figure.subplots(2, sharex=True)
        for baseline, variant, curves in found:
            speed, change = curves.speed_rpm, curves.power_pct
            for setup, power_w in ((baseline, curves.baseline_w), (variant, curves.variant_w)):
                its = look[setup]
                above.plot(speed, power_w, color=its.colour, linestyle=its.line, linewidth=1.2)
            its = look[variant]
            for low, high, alpha in (
                (change.band_low, change.band_high, 0.15),
                (change.point_low, change.point_high, 0.3),
            ):
                below.fill_between(speed, low, high, color=its.colour, alpha=alpha, linewidth=0.0)
            below.plot(speed, change.estimate, color=its.colour, linewidth=1.2)
        above.set_title(_short(quantity_name("power_w")))
        below.set_title("Change of power at equal speed, %")
        below.axhline(0.0, color="black", linewidth=1.0)
        below.set_xlabel("speed, rpm")
    return drawn()


def runs_plot(runs: Sequence[Run], columns: Sequence[str], look: Mapping[str, Look]) -> Svg:
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
) -> Svg:
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
        axes.set_title(_short(quantity_name(column)))
        yield axes, column


def _short(name: str) -> str:
    name = plain(name).replace("\n", " ")
    return name if len(name) <= _NAME_LENGTH else f"{name[: _NAME_LENGTH - 1]}…"


@contextmanager
def _drawing(name: str, height_in: float) -> Iterator[tuple[Figure, Callable[[], Svg]]]:
    """A figure to draw on, and what then gives it as SVG, within our style and nobody's own."""
    with style.context(["default", {**_STYLE, "svg.hashsalt": name}]):
        figure = Figure(figsize=(_WIDTH_IN, height_in), layout="constrained")
        drawn: list[Svg] = []
        yield figure, lambda: drawn[0]
        file = io.StringIO()
        figure.savefig(file, format="svg", metadata=dict.fromkeys(_METADATA))
        drawn.append(_for_html(file.getvalue()))


_METADATA = ("Creator", "Date", "Format", "Type")


def _for_html(svg: str) -> Svg:
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
    return Svg(f'<svg {box[0] if box else ""} aria-hidden="true">{rest}')


_DIGITS = re.compile(r"(\.\d\d)\d+")
