"""After a run: how it ended, its figures, where it lies."""

from __future__ import annotations

from typing import ClassVar

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer, Static

from rig.headless import Outcome
from rig.recorder.messages import Event
from rig.screen.banner import Banner
from rig.screen.notice import BY_HAND, Notice
from rig.text import plain
from rig.vocabulary import ASKED_FOR, MAY_STILL_TURN, Rank


class AfterScreen(Screen[None]):
    """Read only; two ways on."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "app.next_run", "Next run", id="next", tooltip="The same setup once more"),
        Binding("b", "app.begin", "Other setup", id="begin", tooltip="Another board or setup"),
        Binding("d", "app.leave", "Done", id="done", tooltip="Leave"),
    ]

    def __init__(
        self, outcome: Outcome, figures: list[tuple[str, str]], events: list[Event]
    ) -> None:
        super().__init__()
        self.outcome, self._figures, self._events = outcome, figures, events

    def compose(self) -> ComposeResult:
        """The end, the figures, the alarms, the place."""
        yield Banner()
        with VerticalScroll(can_focus=False):
            yield Static(self._where(), id="where")
            yield Static(self._table(), id="figures")
            yield Static(self._alarms(), id="alarms")
        yield Footer(compact=True)

    def on_mount(self) -> None:
        """Say how it ended."""
        outcome = self.outcome
        lines = [outcome.headline]
        rank = Rank.CALM if outcome.outcome in ASKED_FOR else Rank.TRIP
        if outcome.outcome in MAY_STILL_TURN:
            rank, lines = Rank.DANGER, [BY_HAND, outcome.cause]
        if outcome.to_do:
            lines.append(outcome.to_do)
        self.query_one(Banner).show(Notice(rank, tuple(lines)))

    def _where(self) -> Text:
        if self.outcome.capture is not None:
            return Text(plain(f"capture: {self.outcome.capture}"), overflow="fold")
        if self.outcome.journal is not None:
            return Text(
                plain(f"journal: {self.outcome.journal}\n`rig salvage` makes a capture of it"),
                overflow="fold",
            )
        return Text("nothing was recorded")

    def _table(self) -> Table | Text:
        if not self._figures:
            return Text("This run has no steady part, and so no figures.")
        table = Table.grid(padding=(0, 2))
        table.add_row(Text("mean of the steady part", style="bold"), "")
        for name, value in self._figures:
            table.add_row(Text(plain(name)), Text(value, style="bold", justify="right"))
        return table

    def _alarms(self) -> Text:
        rows = [
            f"{event.host_s:7.1f} s  {event.alarm.severity:<8} {event.text}"
            for event in self._events
            if event.alarm is not None
        ]
        return Text(plain("\n".join(rows)) if rows else "no warnings, no trips")
