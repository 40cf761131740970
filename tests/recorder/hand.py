"""A board played by hand: a test says each line, and reads in words what the session sent."""

from __future__ import annotations

from pathlib import Path

from rig.protocol import commands
from rig.protocol.framing import Fault, frame
from rig.protocol.records import Answer, Channel, Cut, Data, Hello
from rig.recorder.messages import ArmRun, Event, Plan, StartRun
from rig.recorder.session import Session
from rig.recorder.states import State
from rig.stand.settings import demo_stand
from tests.bench.scripted import CALM, CONVERSIONS, FULL_SCALE, LABELS

ARMED, CUT, LIMIT, HEARTBEAT, WATCHDOG = 1, 2, 4, 8, 16
DRIVEN = (8000, *CALM[1:])
"""Some 80 A: below the demo stand's trip level, far above a quarter of itself at rest."""

RESTING = (80, *CALM[1:])
TOO_MUCH = (16_000, *CALM[1:])
RUNNING_LINES = 30
"""So long a run of 0.25 s lasts no longer: its stop is sent, and not yet answered."""

TICKS = 10_000
"""Of a microsecond, between two lines."""


class Hand:
    """A session and the board that a test plays. Time passes only where the test says so."""

    def __init__(self, abilities: str = "STL", **plan: object) -> None:
        made = {"throttle": ((70.0, 4.0),), "soak_s": 0.5, "automatic": False} | plan
        self.sent: list[bytes] = []
        self.kept: list[bytes] = []
        self.said: list[Event] = []
        self.now_s = 100.0
        self.status = CUT if "S" in abilities else 0
        self.counts = RESTING
        self.boot = 7
        self.zero = 0
        """What the board takes off the shunt's sums."""
        self._abilities = abilities
        self._sequence = 0
        self._edges = 0
        self._answered = 0
        self.session = Session(
            Plan(demo_stand(), "none", Path("none"), {}, **made),  # type: ignore[arg-type]
            self.now_s,
            send=self.sent.append,
            keep=self.kept.append,
            tell=self.said.append,
        )

    # What the board says

    def introduce(self) -> None:
        """Hello and channel lines."""
        able = frozenset(self._abilities)
        hello = Hello(1, "by hand", "1", self.boot, 1_000_000, 100, able, len(LABELS))
        channels = [self._channel(index) for index in range(len(LABELS))]
        self.say(b"".join(frame(record.body()) for record in (hello, *channels)))

    def say_zero(self, zero: int) -> None:
        """The shunt's line, from which on the board takes so much off."""
        self.counts = (self.counts[0] + self.zero - zero, *self.counts[1:])
        self.zero = zero
        self.say(frame(self._channel(0).body()))

    def _channel(self, index: int) -> Channel:
        able = frozenset(self._abilities) & frozenset("L" if index else "LZ")
        zero = 0 if index else self.zero
        return Channel(index, *LABELS[index], FULL_SCALE, CONVERSIONS, able, zero)

    def data(self, status: int | None = None, counts: tuple[int, ...] | None = None) -> None:
        """A data line, 10 ms later. The rotor turns while the current says that it is driven."""
        counts = counts or self.counts
        self.now_s += 0.01
        self._sequence += 1
        self._edges += 4 if counts[0] > RESTING[0] else 0
        tick = self._sequence * TICKS
        status = self.status if status is None else status
        edge_tick = tick - 1 if counts[0] > RESTING[0] else 1
        self.say(frame(Data(self._sequence, tick, self._edges, edge_tick, status, counts).body()))

    def cut(self, cause: str, where: str = "-") -> None:
        """The report of a cut."""
        self.say(frame(Cut(self._sequence * TICKS, cause, where).body()))

    def answer(self, reason: str = "") -> None:
        """Answer the newest command that is no heartbeat."""
        numbers = [number for number, word in self.commands() if word != "beat"]
        self.say(frame(Answer(numbers[-1] if numbers else 0, reason).body()))

    def say(self, data: bytes) -> None:
        self.session.on_bytes(data, self.now_s)

    # What the host did

    def commands(self) -> list[tuple[int, str]]:
        """Numbered commands so far."""
        found = []
        for line in b"".join(self.sent).split(b"\n"):
            heard = commands.parse_command(line)
            if not isinstance(heard, Fault | commands.Refusal) and heard[0] is not None:
                found.append((heard[0], heard[1].word))
        return found

    def words(self, since: int = 0) -> list[str]:
        """Each line sent since so many pieces, by its word; the bare stop is `STOP`."""
        words = []
        for line in b"".join(self.sent[since:]).split(b"\n"):
            heard = commands.parse_command(line)
            if not isinstance(heard, Fault | commands.Refusal):
                number, command = heard
                words.append(command.word if number is not None else command.word.upper())
        return words

    # Time

    def tick(self, seconds: float = 0.01) -> None:
        """So much time passes, without a line."""
        self.now_s += seconds
        self.session.on_time(self.now_s)

    def live(self, seconds: float) -> None:
        """The board talks and answers, the session beats."""
        for _ in range(round(seconds / 0.01)):
            self.data()
            self.session.on_time(self.now_s)
            self.settle()

    def settle(self) -> None:
        """Answer everything; an accepted arm, stop or throttle changes the readings."""
        while len(self.commands()) > self._answered:
            number, word = self.commands()[self._answered]
            self._answered += 1
            if word == "hello":
                self.introduce()
            elif word == "arm":
                self.status = ARMED
            elif word == "stop":
                self.status, self.counts = CUT, RESTING
            elif word == "throttle":
                self.counts = DRIVEN
            self.say(frame(Answer(number).body()))

    def reach(self, state: State) -> Hand:
        """Bring the session into `state`, as an ordinary run would; a short plan for the later."""
        session = self.session
        if state is State.LINKING:
            return self
        self.tick()
        self.settle()
        self.live(0.1)
        if state is State.READY:
            return self
        session.on_order(ArmRun(), self.now_s)
        if state is State.ARMING:
            return self
        self.settle()
        self.live(0.1)
        if state is State.ARMED:
            return self
        session.on_order(StartRun(), self.now_s)
        for _ in range(RUNNING_LINES):
            if session.state is State.RUNNING:
                self.settle()
                self.data()
                session.on_time(self.now_s)
        if state is State.RUNNING:
            return self
        if state is State.STOPPING:
            return self
        if state is State.UNPROVEN:
            self._answered = len(self.commands())
            while session.state is State.STOPPING:
                self.data(ARMED, DRIVEN)
                session.on_time(self.now_s)
            return self
        self.settle()
        self.data()
        if state is State.ENDED:
            self.live(2.0)
        return self
