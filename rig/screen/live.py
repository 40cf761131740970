"""The run on the screen, from waiting for the board to the end of the heat soak."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, Horizontal
from textual.screen import Screen
from textual.widgets import Footer

from rig.recorder.messages import (
    Acknowledge,
    ArmRun,
    Ended,
    Event,
    Mark,
    Order,
    Plan,
    SetThrottle,
    Snapshot,
    StartRun,
    StopRun,
    TakeZero,
)
from rig.screen.banner import Banner
from rig.screen.chart import Chart
from rig.screen.dialogs import NoteDialog
from rig.screen.events import Events
from rig.screen.gauges import Gauges
from rig.screen.header import Header
from rig.screen.history import History
from rig.screen.levels import Levels, is_small, levels_of
from rig.screen.notice import Notice, notice
from rig.screen.reading import Reading
from rig.stop_proof import warning
from rig.vocabulary import Rank, State

if TYPE_CHECKING:
    from collections.abc import Callable

CHART_EVERY_S = 1.0
LARGE_CELLS = 6000
THROTTLE_STEP_PCT = 5.0
SILENT_AFTER_S = 3.0
"""A recorder that sends no snapshot for so long may not be guarding anything."""

_IN_STATE = {
    "arm": {State.READY},
    "zero": {State.READY},
    "start": {State.ARMED},
    "throttle": {State.RUNNING},
    "end_recording": {State.COASTING},
}
"""Actions that mean something in some states only."""


class LiveScreen(Screen[None]):
    """Shows one run and passes on what the operator wants."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("a", "arm", "Arm", id="arm", tooltip="First of two steps: the board is armed"),
        Binding("r", "start", "Run", id="start", tooltip="Second of two steps: the motor runs"),
        Binding("0", "zero", "Zero", id="zero", show=False,
                tooltip="No current, thrust or torque: the board takes that for zero"),
        Binding("up,plus", "throttle(1)", "+5 %", id="more", tooltip="Throttle up by 5 %"),
        Binding("down,minus", "throttle(-1)", "-5 %", id="less", tooltip="Throttle down by 5 %"),
        Binding("k", "acknowledge", "Ack", id="ack", tooltip="Acknowledge the alarms"),
        Binding("m", "mark", "Mark", id="mark", tooltip="Mark this moment in the capture"),
        Binding("n", "note", "Note", id="note", tooltip="Write a note into the capture"),
        Binding("e", "end_recording", "End", id="end", tooltip="End the heat soak and save"),
        Binding("c", "chart", "Chart", id="chart", show=False, tooltip="Chart other quantities"),
        Binding("z", "zoom", "Zoom", id="zoom", show=False, tooltip="Chart 60 s, 20 s or 6 s"),
        Binding("p", "pause", "Hold", id="hold", show=False, tooltip="Hold the chart's picture"),
    ]  # fmt: skip

    def __init__(self, plan: Plan, tell: Callable[[Order], None]) -> None:
        super().__init__()
        self.snapshot: Snapshot | None = None
        self.ended: Ended | None = None
        self.quitting = False
        self.unseen: list[Event] = []
        self._plan, self._tell = plan, tell
        self._history = History()
        self._levels: dict[str, Levels] = {}
        self._readings: dict[str, Reading] = {}
        self._marks = 0
        self._target_pct: float | None = None
        self._next_chart_s = 0.0
        self._heard_s = time.monotonic()

    def compose(self) -> ComposeResult:
        """Top to bottom, what matters most first."""
        yield Header()
        yield Banner()
        yield Horizontal(id="readings")
        yield Gauges()
        with Container(id="lower"):
            yield Chart()
            yield Events()
        yield Footer(compact=True)

    def on_mount(self) -> None:
        """Watch for a recorder that falls silent."""
        self.set_interval(1.0, self._tell_news)
        self._tell_news()

    async def take(self, snapshot: Snapshot) -> None:
        """Show a snapshot."""
        before, self.snapshot = self.snapshot, snapshot
        self._heard_s = time.monotonic()
        if snapshot.columns != tuple(self._levels):
            await self._lay_out(snapshot.columns)
        self._history.take(snapshot)
        for column, value, peak in zip(
            snapshot.columns, snapshot.values, snapshot.peaks, strict=False
        ):
            if column in self._readings:
                clipped = column in snapshot.clipped
                levels = self._levels[column]
                self._readings[column].show(value, peak, levels, clipped=clipped)
        self.query_one(Header).show(snapshot, self._plan)
        self.query_one(Gauges).show(snapshot, self._levels, self._history)
        self._tell_news()
        if snapshot.host_s >= self._next_chart_s:
            # A large picture costs as many bytes a second as a small one.
            large = self.size.width * self.size.height > LARGE_CELLS
            self._next_chart_s = snapshot.host_s + CHART_EVERY_S * (2.0 if large else 1.0)
            self.query_one(Chart).draw(self._history, self._levels)
        if before is None or before.state != snapshot.state:
            self._target_pct = None
            self.refresh_bindings()

    def happened(self, event: Event) -> None:
        """Show an event; a loud one also rings, and stays until it is acknowledged."""
        self.query_one(Events).add(event)
        if event.loud:
            self.unseen.append(event)
            self.app.bell()
        self._tell_news()

    def end(self, ended: Ended) -> None:
        """The run is over."""
        self.ended = ended
        if ended.exit_code:
            self.app.bell()
        self._tell_news()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002
        """Keys that mean nothing just now are shown dim."""
        state = self.snapshot.state if self.snapshot else State.LINKING
        if action == "throttle":
            drives = self.snapshot is not None and self.snapshot.can_throttle
            return (state == State.RUNNING or None) if drives else False
        return None if state not in _IN_STATE.get(action, {state}) else True

    def action_arm(self) -> None:
        """First of two."""
        self._tell(ArmRun())

    def action_zero(self) -> None:
        """What reads nothing is nothing."""
        self._tell(TakeZero())

    def action_start(self) -> None:
        """Second of two."""
        self._tell(StartRun())

    def action_throttle(self, steps: int) -> None:
        """Drive a little more, or less."""
        known = self._target_pct
        if known is None:
            known = (self.snapshot.throttle_pct if self.snapshot else None) or 0.0
        self._target_pct = min(max(known + steps * THROTTLE_STEP_PCT, 0.0), 100.0)
        self._tell(SetThrottle(self._target_pct))

    def action_acknowledge(self) -> None:
        """The operator has seen it."""
        self.unseen.clear()
        self._tell(Acknowledge())
        self._tell_news()

    def action_mark(self) -> None:
        """A numbered mark, for what will be explained later."""
        self._marks += 1
        self.keep_note(f"mark {self._marks}")

    def action_note(self) -> None:
        """A note in the operator's words."""
        self.app.push_screen(NoteDialog(), self.keep_note)

    def keep_note(self, words: str | None) -> None:
        """Put `words` into the capture and on the list."""
        if words:
            self._tell(Mark(words))
            host_s = self.snapshot.host_s if self.snapshot else 0.0
            self.query_one(Events).add(Event(host_s, f"noted: {words}"))

    def action_end_recording(self) -> None:
        """Enough heat soak."""
        self._tell(StopRun("the operator ended the recording"))

    def action_chart(self) -> None:
        """Other quantities."""
        self.query_one(Chart).next_pair()
        self._draw_at_once()

    def action_zoom(self) -> None:
        """Another span."""
        self.query_one(Chart).next_span()
        self._draw_at_once()

    def action_pause(self) -> None:
        """Hold the chart, and nothing else."""
        self.query_one(Chart).pause()
        self._draw_at_once()

    def _draw_at_once(self) -> None:
        self.query_one(Chart).draw(self._history, self._levels)

    def _tell_news(self) -> None:
        silent_s = time.monotonic() - self._heard_s
        if self.ended is None and silent_s > SILENT_AFTER_S:
            words = f"NOTHING FROM THE RECORDER FOR {silent_s:.0f} s: NOBODY MAY BE GUARDING"
            self.query_one(Banner).show(Notice(Rank.DANGER, (words, "Stop by hand if in doubt.")))
            return
        unproven = warning(self._plan.beginning.get("stop_proof"))
        told = notice(
            self.snapshot, self.unseen, self.ended, quitting=self.quitting, unproven=unproven
        )
        self.query_one(Banner).show(told)

    async def _lay_out(self, columns: tuple[str, ...]) -> None:
        """Widgets for what this stand measures."""
        self._levels = levels_of(self._plan.stand, columns)
        self._readings = {c: Reading(c) for c in columns if not is_small(c)}
        place = self.query_one("#readings", Horizontal)
        await place.remove_children()
        await place.mount_all(self._readings.values())
