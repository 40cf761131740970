"""The screen program: one recorder at a time, three screens, and the keys that work in all."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import ClassVar, Protocol

from rich.console import RenderableType
from textual.app import App
from textual.binding import Binding, BindingType
from textual.driver import Driver
from textual.screen import Screen

from rig.errors import RigError
from rig.headless import Outcome
from rig.plans import new_setup_line
from rig.recorder.handle import Recorder
from rig.recorder.messages import Ended, Event, Order, Plan, StopRun
from rig.screen.after import AfterScreen
from rig.screen.app_messages import Concluded, Happened, RunEnded
from rig.screen.begin import BeginScreen
from rig.screen.dialogs import HelpDialog, LeaveDialog
from rig.screen.feed import Feed
from rig.screen.live import LiveScreen
from rig.screen.notice import must_stop_before_leaving
from rig.text import plain
from rig.vocabulary import State


class Desk(Protocol):
    """What the screen asks of the rest of the program. Each may raise RigError."""

    def ports(self) -> list[tuple[str, str]]:
        """Ports to choose from, each with a description."""

    def setups(self) -> list[str]:
        """The setups that the folder knows, newest first."""

    def plan(self, port: str, setup: str, notes: str) -> Plan:
        """A plan for the next run of `setup`, for an operator who arms and starts by hand."""

    def conclude(self, plan: Plan, ended: Ended) -> Outcome:
        """Make the capture."""

    def figures(self, capture: Path) -> list[tuple[str, str]]:
        """The run's figures, as names and texts."""


class StandApp(App[None]):
    """`first` is (port, setup, notes); where port or setup is missing the operator is asked."""

    CSS_PATH = "stand.tcss"
    ENABLE_COMMAND_PALETTE = False
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (34, "-high")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "stop", "STOP", id="stop", priority=True, tooltip="Stop the motor, "
                "from anywhere, also while writing"),
        Binding("ctrl+c", "stop", "STOP", id="stop_too", priority=True, show=False,
                tooltip="Stop the motor"),
        Binding("space", "stop", "STOP", id="stop_space", show=False,
                tooltip="Stop the motor, where no field is being written in"),
        Binding("question_mark,f1", "help", "Help", id="help", tooltip="All keys"),
        Binding("t", "brightness", "Light", id="light", show=False, tooltip="Light or dark"),
        Binding("q", "leave", "Quit", id="quit", tooltip="Leave; a turning motor is stopped first"),
        Binding("ctrl+q", "leave", "Quit", id="quit_too", priority=True, show=False,
                tooltip="Leave, also while writing"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, first: tuple[str | None, str | None, str]) -> None:
        super().__init__(driver_class=_driver())
        self.outcomes: list[Outcome] = []
        self.recorder: Recorder | None = None
        self.live: LiveScreen | None = None
        self._desk = desk
        self._port, self._setup, self._notes = first
        self._plan: Plan | None = None
        self._feed: Feed | None = None
        self._events: list[Event] = []
        self._leaving = False

    def on_mount(self) -> None:
        """Begin."""
        self.title = "rig"
        if self._port and self._setup:
            self.action_next_run()
        else:
            self.action_begin()

    # Runs

    def action_begin(self) -> None:
        """Ask which board and what is being tried."""
        try:
            ports = self._desk.ports()
        except RigError:
            ports = []
        known = self._desk.setups()
        self._show(BeginScreen(ports, self._setup or "", self._notes, self._port, known))

    def action_next_run(self) -> None:
        """A run on the port and the setup known."""
        if self.live is not None or self._port is None or self._setup is None:
            return
        words = new_setup_line(self._setup, self._desk.setups())
        try:
            plan = self._desk.plan(self._port, self._setup, self._notes)
        except RigError as error:
            self._refused(error)
            return
        # A full collection takes 70 ms, for which no key is heard: what is there now stays.
        gc.collect()
        gc.freeze()
        self._plan, self._events = plan, []
        self._feed = Feed(self.post_message)
        self.recorder = Recorder(plan, self._feed.deliver)
        self.live = LiveScreen(plan, self.tell)
        self._show(self.live)
        if words:
            self.notify(plain(words), markup=False)

    def tell(self, order: Order) -> None:
        """Pass an order on to the recorder, if one runs."""
        if self.recorder is not None:
            self.recorder.tell(order)

    def on_begin_screen_chosen(self, chosen: BeginScreen.Chosen) -> None:
        """Port and setup are known."""
        self._port, self._setup, self._notes = chosen.port, chosen.setup, chosen.notes
        self.action_next_run()

    def on_begin_screen_look_again(self) -> None:
        """Ports come and go."""
        if isinstance(self.screen, BeginScreen):
            self.screen.list_ports(self._desk.ports())

    async def on_snapshot_waits(self) -> None:
        """Show the newest."""
        snapshot = self._feed.take() if self._feed else None
        if snapshot is not None and self.live is not None and self.live.is_mounted:
            await self.live.take(snapshot)

    def on_happened(self, happened: Happened) -> None:
        """Show it."""
        self._events.append(happened.event)
        if self.live is not None:
            self.live.happened(happened.event)

    def on_run_ended(self, message: RunEnded) -> None:
        """Make the capture, beside the screen."""
        if self.live is not None:
            self.live.end(message.ended)
        plan = self._plan
        if plan is not None:
            self.run_worker(lambda: self._conclude(plan, message.ended), thread=True)

    def _conclude(self, plan: Plan, ended: Ended) -> None:
        outcome = self._desk.conclude(plan, ended)
        figures: list[tuple[str, str]] = []
        if outcome.capture is not None:
            try:
                figures = self._desk.figures(outcome.capture)
            except RigError as error:
                figures = [("figures", error.what)]
        self.post_message(Concluded(outcome, figures))

    def on_concluded(self, done: Concluded) -> None:
        """Show what came of it."""
        self.outcomes.append(done.outcome)
        self.recorder = self.live = None
        if self._leaving:
            self.exit()
        else:
            self._show(AfterScreen(done.outcome, done.figures, self._events))

    def _display(self, screen: Screen[object], renderable: RenderableType | None) -> None:
        """A picture made while the terminal is behind is lost; a whole one makes up for it."""
        if renderable is not None and self._batch_count:
            screen.refresh()
        super()._display(screen, renderable)

    # Keys

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002
        """Where no run is on, there is nothing to stop, only a dialog to close."""
        return action != "stop" or self.live is not None or self.screen.is_modal

    def action_stop(self) -> None:
        """Stop the motor first, and only then close what lies over the readings."""
        live = self.live
        state = live.snapshot.state if live is not None and live.snapshot is not None else ""
        # Once it coasts there is nothing to stop, and a second press of a frightened hand
        # must not cut the heat soak short: `e` ends the recording.
        if live is not None and state != State.COASTING:
            self.tell(StopRun())
        while len(self.screen_stack) > 1 and self.screen.is_modal:
            self.pop_screen()

    def action_leave(self) -> None:
        """Leave, once what may turn was stopped."""
        live = self.live
        if live is None:
            self.exit()
        elif self._leaving:
            return
        elif must_stop_before_leaving(live.snapshot):
            if not isinstance(self.screen, LeaveDialog):
                self.push_screen(LeaveDialog(), self._leave_if)
        else:
            self._leave_if(True)

    def _leave_if(self, leave: bool | None) -> None:
        if leave and self.live is not None:
            self._leaving = self.live.quitting = True
            self.tell(StopRun("the operator left"))
        elif leave:
            self.exit()

    def action_help(self) -> None:
        """Every key that works here, as its binding describes it."""
        if self.screen.is_modal:
            return
        keys = []
        for active in self.screen.active_bindings.values():
            binding = active.binding
            if binding.tooltip and binding.id:
                keys.append((self.get_key_display(binding), str(binding.tooltip)))
        self.push_screen(HelpDialog(keys))

    def action_brightness(self) -> None:
        """Light for daylight, dark for a cellar."""
        self.theme = "textual-light" if self.theme == "textual-dark" else "textual-dark"

    def _show(self, screen: Screen[None]) -> None:
        """Put `screen` in the place of the one that is there."""
        while len(self.screen_stack) > 2:
            self.pop_screen()
        if len(self.screen_stack) == 2:
            self.switch_screen(screen)
        else:
            self.push_screen(screen)

    def _refused(self, error: RigError) -> None:
        """What could not be begun."""
        if not isinstance(self.screen, BeginScreen):
            self.action_begin()
        self.call_after_refresh(self._complain, str(error))

    def _complain(self, words: str) -> None:
        if isinstance(self.screen, BeginScreen):
            self.screen.complain(words)


def _driver() -> type[Driver] | None:
    if sys.platform == "win32":
        return None
    from rig.screen.driver import PromptDriver

    return PromptDriver
