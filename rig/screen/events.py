"""What happened, newest last: time, mark, words. Trips and warnings bring value and limit."""

from __future__ import annotations

from collections import deque

from rich.text import Text
from textual.widget import Widget

from rig.recorder.messages import Event
from rig.text import plain
from rig.vocabulary import Severity

KEPT = 200

_MARKS: dict[str, str] = {
    Severity.TRIP: "■ TRIP",
    Severity.WARNING: "▲ WARN",
    Severity.CLEARED: "  back",
}


class Events(Widget):
    """The newest rows that fit."""

    def __init__(self) -> None:
        super().__init__()
        self._rows: deque[Text] = deque(maxlen=KEPT)

    def add(self, event: Event) -> None:
        """One more."""
        severity = event.alarm.severity if event.alarm else ""
        mark = _MARKS.get(severity)
        row = Text(no_wrap=True, overflow="ellipsis")
        row.append(f"{event.host_s:7.1f} s  ", "dim")
        row.append(f"{mark or ('! ' if event.loud else '')} ", "bold")
        row.append(plain(event.text.replace("\n", " ")), "bold" if event.loud else "")
        self._rows.append(row)
        self.refresh()

    def render(self) -> Text:
        """As many of the newest rows as there is room for."""
        rows = [row.copy() for row in list(self._rows)[-max(self.size.height, 1) :]]
        for row in rows:
            row.truncate(max(self.size.width, 1), overflow="ellipsis")
        return Text("\n").join(rows)
