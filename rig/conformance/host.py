"""A host that keeps account of when everything came. The clock and the wire are given to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.framing import frame
from rig.protocol.records import Answer, Channel, Cut, Data, Hello, Record, Status

READ_S = 0.002
PATIENCE_S = 1.0
PATIENCE_LINES = 4

Kind = TypeVar("Kind", bound=Record)


class Wire(Protocol):
    """A line to a board, and a clock."""

    def read(self, wait_s: float) -> bytes:
        """What came within `wait_s`; may be empty."""

    def write(self, data: bytes) -> object:
        """Send all of `data`."""

    def now_s(self) -> float:
        """A steady clock."""


@dataclass
class Host:
    """What was heard, each with its time of arrival; `beating` speaks every 100 ms.

    `turning` says that the tachometer's edges come all the time.
    """

    wire: Wire
    turning: bool = False
    heard: list[tuple[float, Record]] = field(default_factory=list)
    beating: bool = False
    longest_pause_s: float = 0.0
    """For how long this program did not run, at worst; times within a rule are wrong by that."""
    decoder: Decoder = field(default_factory=Decoder)
    _number: int = 0
    _beat_s: float = 0.0
    _awake_s: float = 0.0

    def listen(self, seconds: float, until: Callable[[], object] = lambda: False) -> bool:
        """Hear for `seconds`, or until something is true; whether it was."""
        now_s = self.wire.now_s()
        ends_s = now_s + seconds
        while not (found := bool(until())) and now_s < ends_s:
            if self.beating and now_s - self._beat_s >= commands.HEARTBEAT_EVERY_S:
                self._beat_s = now_s
                self.wire.write(self.beat())
            data = self.wire.read(READ_S)
            now_s = self.wire.now_s()
            self.longest_pause_s = max(self.longest_pause_s, now_s - self._awake_s - READ_S)
            self._awake_s = now_s
            self.heard += [(now_s, record) for record in self.decoder.feed(data)]
        return found

    def begin(self) -> None:
        """A rule begins: forget the pauses before it."""
        self.longest_pause_s, self._awake_s = 0.0, self.wire.now_s()

    def beat(self) -> bytes:
        """What it says while it is `beating`."""
        return commands.line(commands.Beat(), self.number())

    def number(self) -> int:
        """The next command's number."""
        self._number = (self._number + 1) % 60_000
        return self._number

    def tell(self, command: commands.Command) -> tuple[Answer | None, float]:
        """Tell `command`; its answer and how long that took."""
        number = self.number()
        return self._told(commands.line(command, number), number)

    def tell_body(self, word: str, *fields: object) -> Answer | None:
        """Tell a well-framed line of any content, a number in its place."""
        number = self.number()
        body = ",".join([word, str(number), *map(str, fields)])
        return self.tell_line(frame(body), number)

    def tell_line(self, line: bytes, number: int) -> Answer | None:
        """Tell a line as it stands; the answer to this number."""
        return self._told(line, number)[0]

    def _told(self, line: bytes, number: int) -> tuple[Answer | None, float]:
        mark, began_s = len(self.heard), self.wire.now_s()
        self.wire.write(line)

        def answer() -> tuple[float, Answer] | None:
            for came_s, record in self.heard[mark:]:
                if isinstance(record, Answer) and record.number == number:
                    return came_s, record
            return None

        self.listen(PATIENCE_S, answer)
        found = answer()
        return (found[1], found[0] - began_s) if found else (None, PATIENCE_S)

    def data(self, seconds: float, least: int = 1) -> list[Data]:
        """The data lines of so many seconds; longer if `least` of them take longer."""
        mark = len(self.heard)
        self.listen(seconds)
        self.listen(least * self.patience_s, lambda: len(self.since(mark, Data)) >= least)
        return self.since(mark, Data)

    def sees(self, mark: int, bit: Status, within_s: float = 0.0) -> bool:
        """Whether a data line after `mark` has this bit, or one of those still to come has."""

        def seen() -> bool:
            return any(data.status & bit for data in self.since(mark, Data))

        return self.listen(max(within_s, self.patience_s), seen) or seen()

    def since(self, mark: int, kind: type[Kind]) -> list[Kind]:
        """What came of one kind after the first `mark` records."""
        return [record for _, record in self.heard[mark:] if isinstance(record, kind)]

    def newest(self, kind: type[Kind]) -> Kind | None:
        """The newest of one kind."""
        found = self.since(0, kind)
        return found[-1] if found else None

    @property
    def hello(self) -> Hello:
        """The newest hello; the first rule makes sure that there is one."""
        found = self.newest(Hello)
        assert found is not None
        return found

    @property
    def line_s(self) -> float:
        """Between two data lines, as the hello has it."""
        return 1.0 / self.hello.line_hz

    @property
    def patience_s(self) -> float:
        """Within this a data line comes, even from a slow board."""
        return max(PATIENCE_S, PATIENCE_LINES * self.line_s)

    @property
    def channels(self) -> list[Channel]:
        """The newest line of each channel, in order."""
        lines = {channel.index: channel for channel in self.since(0, Channel)}
        return [lines[index] for index in sorted(lines)]

    @property
    def status(self) -> Status:
        """Of the next data line to come."""
        mark = len(self.heard)
        self.listen(self.patience_s, lambda: self.since(mark, Data))
        found = self.since(mark, Data)
        return Status(found[-1].status & 63) if found else Status(0)

    def cut_within(self, mark: int, seconds: float) -> tuple[Cut | None, float | None]:
        """The X line, and when the first data line told of a cut; both after `mark`."""
        began_s = self.wire.now_s()

        def told() -> float | None:
            for came_s, record in self.heard[mark:]:
                if isinstance(record, Data) and record.status & Status.CUT:
                    return came_s
            return None

        self.listen(seconds, told)
        cuts, when_s = self.since(mark, Cut), told()
        return (cuts[0] if cuts else None), (None if when_s is None else when_s - began_s)
