"""Temperatures, torque and thrust: a line each, with bar, rate of rise and time to the trip."""

from __future__ import annotations

import math

from rich.text import Text
from textual.widget import Widget

from rig.recorder.messages import Snapshot
from rig.screen.history import History, seconds_until
from rig.screen.levels import MARKS, Levels, amount_shown, bar, in_words, is_small
from rig.stand.quantities import is_temperature, key_of, unit_of

SHOW_EVERY_S = 0.5
"""Temperatures move slowly; only a level that is passed is shown at once."""

FIXED_WIDTH = 69
"""Columns of a line without its bar."""


class Gauges(Widget):
    """As many lines as the stand has such quantities."""

    def __init__(self) -> None:
        super().__init__()
        self._lines: list[Text] = []
        self._rates: dict[str, float | None] = {}
        self._shown_s = -math.inf
        self._words: list[str] = []

    def show(self, snapshot: Snapshot, levels: dict[str, Levels], history: History) -> None:
        """Take the readings of a snapshot."""
        small = [column for column in snapshot.columns if is_small(column)]
        values = dict(zip(snapshot.columns, snapshot.values, strict=False))
        words = [levels[column].word(values.get(column, math.nan)) for column in small]
        due = abs(snapshot.host_s - self._shown_s) >= SHOW_EVERY_S
        if not due and words == self._words:
            return
        self._shown_s, self._words = snapshot.host_s, words
        self._rates = {c: history.rate_per_min(c) for c in small if is_temperature(c)}
        peaks = dict(zip(snapshot.columns, snapshot.peaks, strict=False))
        lines = [
            self._line(column, values.get(column, math.nan), peaks[column], levels[column])
            for column in small
        ]
        if len(lines) != len(self._lines):
            self.styles.height = len(lines)
        if lines != self._lines:
            self._lines = lines
            self.refresh()

    def render(self) -> Text:
        """The lines."""
        return Text("\n", no_wrap=True).join(self._lines)

    def _line(self, column: str, value: float, peak: float, levels: Levels) -> Text:
        word = levels.word(value)
        width = max(self.size.width - FIXED_WIDTH, 6)
        line = Text(no_wrap=True, overflow="crop")
        line.append(f"{key_of(column).replace('_', ' ').capitalize()[:10]:<11}", "bold")
        line.append(f"{amount_shown(value, column):>6} {unit_of(column):<3} ", "bold")
        line.append(bar(value, levels, levels.span(column, peak), width))
        line.append(f"{MARKS[word]:<7}", "bold reverse" if word else "")
        rate = self._rates.get(column)
        line.append("" if rate is None else f" {rate:+.1f} K/min", "bold" if word else "")
        line.pad_right(max(FIXED_WIDTH - 25 + width - len(line), 0))
        left_s = None if word == "TRIP" else seconds_until(value, levels.trip_over, rate)
        left = "" if left_s is None else in_words(left_s)
        line.append(f"{'trip in ' + left if left else '':<18}")
        line.append(f"pk {amount_shown(peak, column)}", "dim")
        line.truncate(max(self.size.width, 1))
        return line
