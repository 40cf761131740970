"""The stand in a clock of its own: recorder's loop, journal, wire, simulated board and motor.

The loop is the recorder's own. It waits on its port, and while it waits the world goes on, in
steps of 4 ms; nothing else lets time pass. What happened is kept in a `Story`.
"""

from __future__ import annotations

import hashlib
import random
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NoReturn

from rig.errors import LinkError
from rig.protocol.framing import frame
from rig.protocol.records import Status
from rig.recorder.journal import FLUSH_EVERY_S, Backlog
from rig.recorder.messages import Ended, Event, Order, Plan, Snapshot, StopRun
from rig.recorder.recording import Recording
from rig.recorder.states import State
from rig.simulator.board import Board, demo_board
from rig.stand.settings import demo_stand
from tests.storm.weather import TO_BOARD, TO_HOST, Weather

STEP_S = 0.004
LINE_HZ = 50
ALIVE_EVERY_S = 0.1
BUFFER = 4096
"""Bytes that a port holds for a host that does not read."""

PATIENCE_S = 8.0
"""An operator who waits for a run that does not come presses stop."""

HAND_S = 0.4
"""So long an operator takes to bring the throttle down."""

LONGEST_S = 150.0
AFTERWARDS_S = 1.2
FORGED = frame('!end,1.000000,{"outcome":"done","exit_code":0}')
STAND = demo_stand()
NOBODY = "the world has lasted too long"


@dataclass(slots=True)
class Story:
    """What happened, in seconds since the storm began."""

    weather: Weather
    sent: list[tuple[float, bytes]] = field(default_factory=list)
    """By the host, whether the port took it or not."""
    reached_board_s: list[float] = field(default_factory=list)
    said: list[tuple[float, bytes]] = field(default_factory=list)
    """By the board, before the wire."""
    heard: list[bytes] = field(default_factory=list)
    """What the host read."""
    drive: list[tuple[float, float]] = field(default_factory=list)
    """From when to when the board let the drive run."""
    on_at_end: bool = False
    """Whether the motor is still driven, whatever the board says."""
    beyond_s: list[tuple[float, float]] = field(default_factory=list)
    """From when to when a true quantity was well beyond its trip level while armed."""
    unheld: bool = False
    """Whether the board was ever armed without the limits it can hold."""
    states: list[tuple[float, State]] = field(default_factory=list)
    events: list[tuple[float, Event]] = field(default_factory=list)
    keys_s: list[float] = field(default_factory=list)
    """When a stop key reached the recorder."""
    resets_s: list[float] = field(default_factory=list)
    stalls: list[tuple[float, float]] = field(default_factory=list)
    overdue_s: float = 0.0
    """The oldest line that waited for a disk that could have taken it."""
    journal: bytes = b""
    disk_failed: bool = False
    ended: Ended | None = None
    ended_s: float = 0.0

    def digest(self) -> str:
        """One number for all that was said, in both directions, and kept."""
        content = hashlib.sha256(self.journal)
        for time_s, data in (*self.sent, *self.said):
            content.update(f"{time_s:.6f}".encode() + data)
        content.update(repr((self.ended, self.drive, self.states)).encode())
        return content.hexdigest()


class _Disk(Backlog):
    """A journal in memory, flushed in the world's time."""

    def __init__(self, world: World) -> None:
        super().__init__(self._take)
        self.moved = ""
        self.path = Path("storm.journal")
        self._world = world
        self._oldest_s: float | None = None
        self._next_s = 0.0

    def append(self, data: bytes) -> None:
        if self._oldest_s is None:
            self._oldest_s = self._world.now_s
        super().append(data)

    def step(self) -> None:
        world, weather = self._world, self._world.story.weather
        hangs = weather.disk_hangs
        hanging = hangs is not None and hangs[0] <= world.now_s < hangs[0] + hangs[1]
        if hanging or self.error is not None:
            self._oldest_s = world.now_s if self._oldest_s is not None else None
            return
        if world.now_s >= self._next_s:
            self._next_s = world.now_s + FLUSH_EVERY_S
            try:
                self.flush()
            except OSError as error:
                self.error = error
        elif self._oldest_s is not None:
            waited_s = world.now_s - self._oldest_s
            world.story.overdue_s = max(world.story.overdue_s, waited_s)

    def _take(self, data: bytes) -> None:
        fails_s = self._world.story.weather.disk_fails_s
        if fails_s is not None and self._world.now_s >= fails_s:
            self._world.story.disk_failed = True
            raise OSError(28, "no space left")
        self._world.story.journal += data
        self._oldest_s = None


class World:
    """Port, parent, voice and clock of one recording."""

    def __init__(self, weather: Weather) -> None:
        self.story = Story(weather)
        self.now_s = 0.0
        self._chance = random.Random(f"wire {weather.seed}")
        throttle = 0.5 if "T" not in weather.abilities else 0.0
        self.board: Board = demo_board(
            seed=weather.seed, faults=weather.faults, abilities=weather.abilities,
            line_hz=LINE_HZ, throttle=throttle,
        )  # fmt: skip
        # Steps of 4 ms in place of 1: the plant's rule is stable for any, and this is faster.
        self.board._steps //= 4
        self._stalls = deque(weather.stalls)
        self._keys = deque(sorted(weather.orders, key=lambda pair: pair[0]))
        self._to_board: deque[tuple[float, bytes]] = deque()
        self._to_host: deque[tuple[float, bytes]] = deque()
        self._arrived = b""
        self._stalling = False
        self._armed_since_s: float | None = None
        self._beyond_since_s: float | None = None
        self._patience_s = PATIENCE_S
        # What the loop looks at.
        self.parent_lives = True
        self.broken = False
        self.heard_s: float | None = 0.0
        self.waiting: deque[Order] = deque()
        self._disk = _Disk(self)
        beginning: dict[str, object] = {"setup": "storm", "run": 1}
        plan = Plan(
            STAND, "storm", Path("storm.journal"), beginning,
            throttle=((60.0, weather.run_s),), soak_s=0.1, automatic=weather.automatic,
        )  # fmt: skip
        self._recording = Recording(
            plan, self,
            clock=lambda: self.now_s, utc=lambda: f"{self.now_s:.3f}", pause=self.pause,
            open_port=self.open, parent=self, voice=self, journal=self._disk,
        )  # fmt: skip

    def happen(self) -> Story:
        """The whole storm."""
        story = self.story
        story.ended = self._recording.run()
        story.ended_s = self.now_s
        self._note_state()
        self._keys.clear()
        self.pause(AFTERWARDS_S)
        obeys = "S" in story.weather.abilities
        story.on_at_end = self.board.armed or (obeys and self.board.plant.duty > 0.0)
        if self._armed_since_s is not None:
            story.drive.append((self._armed_since_s, self.now_s))
        if not story.disk_failed:
            with suppress(OSError):  # the disk may fail only now, and `_take` has noted it
                self._disk.flush()
        return story

    # The port

    def read(self, wait_s: float) -> bytes:
        if self._stalls and self.now_s >= self._stalls[0][0]:
            length_s = self._stalls.popleft()[1]
            self.story.stalls.append((self.now_s, self.now_s + length_s))
            self._stalling = True
            self.pause(length_s)
            self._stalling = False
        ends_s = self.now_s + wait_s
        while not self._arrived and self.now_s < ends_s:
            self._step()
        self._gone()
        data, self._arrived = self._arrived, b""
        if data:
            self.story.heard.append(data)
        return data

    def write(self, data: bytes) -> None:
        self.story.sent.append((self.now_s, data))
        self._gone()
        self._through(TO_BOARD, data, self._to_board)

    def close(self) -> None:
        self._arrived = b""

    def open(self) -> World:
        gone = self.story.weather.port_gone
        if gone and gone[0] <= self.now_s < gone[1]:
            raise LinkError("is not there")
        return self

    def pause(self, seconds: float) -> None:
        ends_s = self.now_s + seconds
        while self.now_s < ends_s:
            self._step()

    # The parent

    def tell(self, message: Event | Ended) -> None:
        if isinstance(message, Event):
            self.story.events.append((self.now_s, message))

    def show(self, snapshot: Snapshot) -> None:
        assert snapshot.state

    # Time

    def _step(self) -> None:
        self.now_s = round(self.now_s + STEP_S, 6)
        now_s, story = self.now_s, self.story
        if LONGEST_S < now_s < LONGEST_S + STEP_S:
            self._too_long()
        while self._to_board and self._to_board[0][0] <= now_s:
            self.board.receive(self._to_board.popleft()[1])
            story.reached_board_s.append(now_s)
        self._disturb_board()
        data = self.board.advance(STEP_S)
        if data:
            story.said.append((now_s, data))
            self._through(TO_HOST, data, self._to_host)
        while self._to_host and self._to_host[0][0] <= now_s:
            piece = self._to_host.popleft()[1]
            if self._is_gone() or len(self._arrived) + len(piece) > BUFFER:
                continue
            self._arrived += piece
        self._watch_drive()
        self._note_state()
        self._front()
        self._disk.step()

    def _too_long(self) -> NoReturn:
        raise RuntimeError(NOBODY)

    def _disturb_board(self) -> None:
        weather, now_s = self.story.weather, self.now_s
        if weather.reset_s is not None and self._just(weather.reset_s):
            self.board._boot = (self.board._boot + 1) % 65536
            self.board._power_up()
            self.story.resets_s.append(now_s)
        if weather.button_s is not None and self._just(weather.button_s):
            self.board._cut(Status(0), "button")
        if weather.forged_s is not None and self._just(weather.forged_s):
            self._to_host.append((now_s, FORGED))

    def _just(self, at_s: float) -> bool:
        return at_s <= self.now_s < at_s + STEP_S

    def _watch_drive(self) -> None:
        board, now_s, story = self.board, self.now_s, self.story
        armed = board.armed
        if armed and self._armed_since_s is None:
            self._armed_since_s = now_s
            if "L" in story.weather.abilities and not board._watch._limits:
                story.unheld = True
        elif not armed and self._armed_since_s is not None:
            story.drive.append((self._armed_since_s, now_s))
            self._armed_since_s = None
        plant = board.plant
        beyond = armed and (
            plant.current_a > 108.0 or plant.case_degc > 106.0 or plant.speed_rpm > 21_000.0
        )
        if beyond and self._beyond_since_s is None:
            self._beyond_since_s = now_s
        elif not beyond and self._beyond_since_s is not None:
            story.beyond_s.append((self._beyond_since_s, now_s))
            self._beyond_since_s = None

    def _note_state(self) -> None:
        states, state = self.story.states, self._recording.session.state
        if not states or states[-1][1] is not state:
            states.append((self.now_s, state))

    def _front(self) -> None:
        weather, now_s = self.story.weather, self.now_s
        if weather.front_dies_s is not None and now_s >= weather.front_dies_s:
            self.parent_lives = False
        stands = weather.front_stands
        standing = stands is not None and stands[0] <= now_s < stands[0] + stands[1]
        quiet_s = now_s - (self.heard_s or 0.0)
        if not standing and not self._stalling and quiet_s >= ALIVE_EVERY_S:
            self.heard_s = now_s
        while self._keys and self._keys[0][0] <= now_s and not standing:
            self._press(self._keys.popleft()[1])
        state, since_s = self.story.states[-1][1], self.story.states[-1][0]
        seen_enough = state is State.COASTING and now_s - since_s >= weather.seconds_at_rest
        if seen_enough and not self.waiting and not standing:
            self.waiting.append(StopRun("seen enough"))
        if state is State.STOPPING and not weather.abilities and now_s - since_s > HAND_S:
            # No command can: the operator does, by hand.
            self.board.settings = replace(self.board.settings, throttle=0.0)
        if now_s >= self._patience_s:
            self._patience_s += 5.0
            self._press(StopRun("no patience left"))

    def _press(self, order: Order) -> None:
        if isinstance(order, StopRun):
            self.story.keys_s.append(self.now_s)
        self.waiting.append(order)

    # The wire

    def _is_gone(self) -> bool:
        gone = self.story.weather.port_gone
        return gone is not None and gone[0] <= self.now_s < gone[1]

    def _gone(self) -> None:
        if self._is_gone():
            raise OSError(5, "unplugged")

    def _through(self, direction: str, data: bytes, queue: deque[tuple[float, bytes]]) -> None:
        """What `data` becomes on its way; the order of pieces is kept."""
        chance, due_s = self._chance, self.now_s
        for trouble in self.story.weather.line:
            if trouble.direction != direction or not trouble.from_s <= self.now_s < trouble.to_s:
                continue
            if trouble.kind == "delay":
                due_s += trouble.rate
            elif trouble.kind == "dead":
                return
            elif chance.random() < trouble.rate:
                at = chance.randrange(len(data))
                if trouble.kind == "lose":
                    data = data[:at] + data[at + chance.randrange(1, 9) :]
                elif trouble.kind == "flip":
                    data = data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]
                else:
                    data += data
                if not data:
                    return
        if queue:
            due_s = max(due_s, queue[-1][0])
        queue.append((due_s, data))
