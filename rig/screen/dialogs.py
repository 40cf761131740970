"""What is asked of the operator while a run goes on. Escape always stops the motor, and with
that closes these too: the app sees to it, no dialog needs to."""

from __future__ import annotations

from typing import ClassVar

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

LONGEST_NOTE = 300


class NoteDialog(ModalScreen[str | None]):
    """One line of words; empty means none."""

    def compose(self) -> ComposeResult:
        """A field."""
        with Vertical(classes="dialog"):
            yield Static("A note at this moment. Enter keeps it; Esc stops the motor.")
            yield Input(max_length=LONGEST_NOTE, placeholder="what you saw, heard, changed")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand the words over."""
        self.dismiss(event.value.strip() or None)


class LeaveDialog(ModalScreen[bool]):
    """Leaving while the motor may turn: asked once."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "Stop and leave"),
        Binding("n", "answer(False)", "Stay"),
    ]

    def compose(self) -> ComposeResult:
        """The question."""
        with Vertical(classes="dialog"):
            yield Static(
                "The motor may be turning.\n\ny  stop it, save the run, then leave\n"
                "n  stay\nEsc  stop it and stay"
            )

    def action_answer(self, leave: bool) -> None:
        """Hand the answer over."""
        self.dismiss(leave)


class HelpDialog(ModalScreen[None]):
    """The keys, as the bindings themselves describe them."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("question_mark,f1,enter,q", "app.pop_screen", "Close help")
    ]

    def __init__(self, keys: list[tuple[str, str]]) -> None:
        super().__init__()
        self._keys = keys

    def compose(self) -> ComposeResult:
        """Two columns."""
        table = Table.grid(padding=(0, 2))
        for key, words in self._keys:
            table.add_row(Text(key, style="bold"), Text(words))
        with Vertical(classes="dialog"):
            yield Static(table)
            yield Static(
                Text(
                    "Bars: ╎ warning level, ┃ trip level. Software stops are no substitute "
                    "for a cut in the supply that a hand can reach.",
                    style="dim",
                )
            )
