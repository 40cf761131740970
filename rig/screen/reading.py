"""One quantity in large digits, with a bar against its limits and the run's peak."""

from __future__ import annotations

import math

from rich.console import Group, RenderableType
from rich.text import Text
from textual.geometry import Region
from textual.renderables.digits import Digits
from textual.widget import Widget

from rig.screen.levels import MARKS, TRIP, Levels, amount_shown, bar
from rig.stand.quantities import label_of, unit_of

DIGIT_WIDTH = 3
WIDEST = 6
"""Characters of the widest reading, such as 120000 or -123.4."""


class Reading(Widget):
    """Six rows: name and unit, three of digits, the bar, the peak."""

    def __init__(self, column: str) -> None:
        super().__init__()
        self.column = column
        self._levels = Levels()
        self._shown: tuple[str, str, str, str] = ("", "", "", "")
        self._value = self._peak = math.nan
        self._clipped = False

    def show(self, value: float, peak: float, levels: Levels, *, clipped: bool) -> None:
        """Take a reading; the screen is touched only where something changes."""
        self._value, self._peak, self._levels, self._clipped = value, peak, levels, clipped
        before, self._shown = self._shown, self._texts()
        word = levels.word(value, clipped=clipped)
        self.set_class(word == "WARN", "-warn")
        self.set_class(word == "TRIP", "-trip")
        # Only the rows that change: this screen must also do over a slow line.
        width = self.size.width
        parts = (
            Region(0, 0, width, 1),
            Region(0, 1, min(DIGIT_WIDTH * WIDEST, width), 3),
            Region(0, 4, width, 1),
            Region(0, 5, width, 1),
        )
        changed = [
            part for part, old, new in zip(parts, before, self._shown, strict=True) if old != new
        ]
        if changed:
            self.refresh(*changed)

    def on_resize(self) -> None:
        """The bar has another length."""
        self._shown = self._texts()
        self.refresh()

    def render(self) -> RenderableType:
        """The six rows."""
        head, digits, line, foot = self._shown
        return Group(
            Text(head, no_wrap=True, style="bold"),
            Digits(digits, self.rich_style),
            Text(line, no_wrap=True),
            Text(foot, no_wrap=True, style="dim"),
        )

    def _texts(self) -> tuple[str, str, str, str]:
        column, width = self.column, max(self.size.width, 1)
        span = self._levels.span(column, self._peak)
        word = self._levels.word(self._value, clipped=self._clipped)
        trip = self._levels.trip_over
        limit = "" if trip is None else f" {TRIP}{trip:g}"
        return (
            f"{label_of(column)}, {unit_of(column)}{MARKS[word]}",
            amount_shown(self._value, column, clipped=self._clipped).rjust(WIDEST),
            bar(self._value, self._levels, span, width),
            f"peak {amount_shown(self._peak, column)}{limit}",
        )
