"""The last minute of two quantities. Lowest and highest of each moment are drawn, so that no
short peak is lost; a gap in the data is a gap in the line.

Drawn on the canvas that textual-plot itself draws on: its frame, ticks and margins would
take four of the seven rows that a small terminal has for a chart.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.strip import Strip
from textual.widgets import Static
from textual_hires_canvas import Canvas, HiResMode

from rig.recorder.readings import TRACE_STEP_S
from rig.screen.history import History
from rig.screen.levels import Levels, amount_shown
from rig.stand.quantities import label_of, unit_of

SPANS_S = (60.0, 20.0, 6.0)
DOTS_X, DOTS_Y = 2, 4
"""Braille dots per character cell."""

Floats = NDArray[np.float64]


class Chart(Horizontal):
    """Two panels side by side; the choice of quantities goes round in pairs."""

    def __init__(self) -> None:
        super().__init__()
        self.paused = False
        self.span_s = SPANS_S[0]
        self._pair = 0

    def compose(self) -> ComposeResult:
        """Both panels."""
        yield Panel()
        yield Panel()

    def draw(self, history: History, levels: dict[str, Levels]) -> None:
        """Draw anew, unless paused."""
        if self.paused or not history.columns:
            return
        pairs = _pairs(history.columns)
        shown = pairs[self._pair % len(pairs)]
        for panel, column in zip(self.query(Panel), shown, strict=False):
            panel.draw(column, history.trace(column), levels[column], self.span_s)

    def next_pair(self) -> None:
        """Show the next two quantities."""
        self._pair += 1

    def next_span(self) -> None:
        """Show a shorter time, and after the shortest the longest again."""
        self.span_s = SPANS_S[(SPANS_S.index(self.span_s) + 1) % len(SPANS_S)]

    def pause(self) -> None:
        """Hold the picture, or let it go. Nothing else is held."""
        self.paused = not self.paused
        for panel in self.query(Panel):
            panel.set_class(self.paused, "-paused")


class Dots(Canvas):
    """A canvas whose empty pieces without a style, which NO_COLOR cannot take, are left out."""

    def render_line(self, y: int) -> Strip:
        """One row."""
        return Strip(segment for segment in super().render_line(y) if segment.style is not None)


class Panel(Vertical):
    """One quantity: a title that gives the scale, and the dots."""

    def compose(self) -> ComposeResult:
        """Title and canvas."""
        yield Static()
        yield Dots(1, 1)

    def draw(
        self, column: str, trace: tuple[Floats, Floats, Floats], levels: Levels, span_s: float
    ) -> None:
        """Draw `trace` (time before now, lowest, highest) over the last `span_s`."""
        canvas = self.query_one(Canvas)
        width, height = canvas.size
        if width < 2 or height < 1:
            return
        lowest, highest = columns_of_dots(trace, span_s, width * DOTS_X)
        bottom, top = scale(lowest, highest, levels)
        self.query_one(Static).update(self._title(column, bottom, top, levels, span_s))
        style = self.app.theme_variables["accent"]
        with canvas.batch_refresh():
            canvas.reset(size=canvas.size)
            for level in (levels.trip_over, levels.trip_under):
                if level is not None and bottom <= level <= top:
                    row = min(int((top - level) / (top - bottom) * height), height - 1)
                    canvas.set_pixels([(x, row) for x in range(width)], char="┈", style=style)
            dots = dots_of(lowest, highest, bottom, top, height * DOTS_Y)
            canvas.set_hires_pixels(
                [(x / DOTS_X, y / DOTS_Y) for x, y in dots], HiResMode.BRAILLE, style
            )

    def _title(self, column: str, bottom: float, top: float, levels: Levels, span_s: float) -> Text:
        held = "HELD " if self.has_class("-paused") else ""
        limit = levels.trip_over
        words = "" if limit is None else f"  ┈ trip {amount_shown(limit, column)}"
        return Text(
            f"{held}{label_of(column)}, {unit_of(column)}  {amount_shown(bottom, column)} to "
            f"{amount_shown(top, column)}, {span_s:.0f} s{words}",
            no_wrap=True,
            overflow="ellipsis",
        )


def columns_of_dots(
    trace: tuple[Floats, Floats, Floats], span_s: float, dots: int
) -> tuple[Floats, Floats]:
    """Lowest and highest reading per column of dots, shape (dots,); nan where there is a gap."""
    time_s, low, high = trace
    tenths = round(span_s / TRACE_STEP_S)
    lowest, highest = np.full(tenths, math.nan), np.full(tenths, math.nan)
    place = np.rint(time_s / TRACE_STEP_S).astype(int) + tenths - 1
    use = place >= 0
    lowest[place[use]], highest[place[use]] = low[use], high[use]
    edges = np.linspace(0, tenths, dots + 1)
    first = np.floor(edges[:-1]).astype(int)
    last = np.maximum(np.ceil(edges[1:]).astype(int), first + 1)
    low_dots, high_dots = np.full(dots, math.nan), np.full(dots, math.nan)
    for dot, (begin, end) in enumerate(zip(first, last, strict=True)):
        low_dots[dot] = np.fmin.reduce(lowest[begin:end])
        high_dots[dot] = np.fmax.reduce(highest[begin:end])
    return low_dots, high_dots


def scale(lowest: Floats, highest: Floats, levels: Levels) -> tuple[float, float]:
    """The ends of the scale: all readings, and the trip level where it is not far off."""
    known = np.concatenate([lowest, highest])
    known = known[np.isfinite(known)]
    if not len(known):
        return 0.0, 1.0
    # Noise about zero is not blown up to fill the panel.
    least = 0.05 * levels.trip_over if levels.trip_over else 1e-3
    bottom, top = min(float(known.min()), 0.0), max(float(known.max()), least)
    if bottom == 0.0 and known.min() > 0.5 * top:
        # A reading that hardly moves, such as a voltage, is worth a scale of its own.
        bottom = float(known.min())
    room = 0.1 * (top - bottom) or max(abs(top), 1.0) * 0.1
    bottom, top = (bottom - room if bottom else 0.0), top + room
    trip = levels.trip_over
    if trip is not None and top < trip <= top + 1.0 * (top - bottom):
        top = trip + room
    return bottom, top


def dots_of(
    lowest: Floats, highest: Floats, bottom: float, top: float, height: int
) -> list[tuple[int, int]]:
    """Dots (x, y from the top) that join each column's readings and touch the next column's."""
    share = (top - np.vstack([highest, lowest])) / (top - bottom)
    rows = np.clip(np.nan_to_num(share, nan=-1.0) * height, -1, height - 1).astype(int)
    dots = []
    before: tuple[int, int] | None = None
    for x, (first, last) in enumerate(rows.T.tolist()):
        if math.isnan(highest[x]):
            before = None
            continue
        above, below = before or (last + 1, first - 1)
        dots += [(x, y) for y in range(min(first, below + 1), max(last, above - 1) + 1)]
        before = (first, last)
    return dots


def _pairs(columns: tuple[str, ...]) -> list[tuple[str, ...]]:
    first = [column for column in ("speed_rpm", "current_a") if column in columns]
    rest = [column for column in columns if column not in first]
    order = first + rest
    return [tuple(order[i : i + 2]) for i in range(0, len(order), 2)]
