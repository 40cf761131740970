"""Before a run: which board, and what is being tried."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.screen import Screen
from textual.suggester import SuggestFromList
from textual.widgets import Footer, Input, OptionList, Static
from textual.widgets.option_list import Option

from rig.plans import known_line
from rig.text import plain

LONGEST_SETUP = 80

CAUTIONS = (
    "Bolt the motor down, stand clear of the propeller's plane, shield what can fly. Keep a "
    "cut in the supply within reach: a stop by software is no substitute for it. Follow the "
    "local rules for batteries and rotating machines."
)


class BeginScreen(Screen[None]):
    """A list of ports, two fields. `port` is chosen at first; `known` setups are proposed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f5", "connect", "Connect", id="connect", tooltip="Open the port"),
        Binding("f6", "look_again", "Look again", id="look", tooltip="List the ports again"),
    ]

    class Chosen(Message):
        """The operator has said which port and what for."""

        def __init__(self, port: str, setup: str, notes: str) -> None:
            super().__init__()
            self.port, self.setup, self.notes = port, setup, notes

    class LookAgain(Message):
        """The list of ports may be old."""

    def __init__(
        self,
        ports: list[tuple[str, str]],
        setup: str,
        notes: str,
        port: str | None = None,
        known: Sequence[str] = (),
    ) -> None:
        super().__init__()
        self._ports, self._setup, self._notes, self._port = ports, setup, notes, port
        # What a field could not hold as it is, or would be cut in, is not proposed.
        self._known = [name for name in known if name.isprintable() and len(name) <= LONGEST_SETUP]

    def compose(self) -> ComposeResult:
        """Cautions first."""
        yield Static(Text(CAUTIONS), id="cautions")
        with Vertical(id="form"):
            yield Static("Board (up and down choose)")
            yield OptionList(id="ports")
            yield Static("Setup: what is being tried")
            yield Input(
                self._setup,
                id="setup",
                placeholder="such as early-timing",
                max_length=LONGEST_SETUP,
                suggester=SuggestFromList(self._known, case_sensitive=False),
            )
            if self._known:
                words = f"Known here: {known_line(self._known)} (right arrow completes)"
                yield Static(Text(words, no_wrap=True, overflow="ellipsis"), id="known")
            yield Static("Notes, kept in the capture")
            yield Input(self._notes, id="notes", max_length=300)
            yield Static("", id="complaint")
        yield Footer(compact=True)

    def on_mount(self) -> None:
        """List what there is."""
        self.list_ports(self._ports)
        self.query_one("#setup", Input).focus()

    def list_ports(self, ports: list[tuple[str, str]]) -> None:
        """Show these; the choice stays as it was, also where its port is not listed."""
        choices = self.query_one("#ports", OptionList)
        if choices.highlighted is not None:
            self._port = self._ports[choices.highlighted][0]
        names = [port for port, _ in ports]
        if self._port is not None and self._port not in names:
            ports, names = [(self._port, "not listed now"), *ports], [self._port, *names]
        self._ports = ports
        choices.clear_options()
        choices.add_options(
            Option(Text(plain(f"{port}  {words}"), no_wrap=True)) for port, words in ports
        )
        if ports:
            choices.highlighted = names.index(self._port) if self._port is not None else 0

    def complain(self, words: str) -> None:
        """Say why it did not work."""
        self.query_one("#complaint", Static).update(Text(plain(words)))

    def on_input_submitted(self) -> None:
        """Enter goes on."""
        self.action_connect()

    def on_option_list_option_selected(self) -> None:
        """Enter on a port goes on too."""
        self.action_connect()

    def action_look_again(self) -> None:
        """Ask for the ports that are there now."""
        self.post_message(self.LookAgain())

    def action_connect(self) -> None:
        """Hand the choice over."""
        chosen = self.query_one("#ports", OptionList).highlighted
        setup = self.query_one("#setup", Input).value.strip()
        if chosen is None:
            self.complain("No port is there. Is the board plugged in? F6 looks again.")
        elif not setup:
            self.complain("A setup needs a name: what is being tried?")
        else:
            notes = self.query_one("#notes", Input).value
            self.post_message(self.Chosen(self._ports[chosen][0], setup, notes))
