"""What the host says: one class per command, written by the host and read by a board.

The recorder uses `line`; the simulated board and the tests use `parse_command`, so that
both ends of the wire are held to the same tables in firmware_protocol.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

from rig.protocol.framing import Fault, frame, unframe
from rig.protocol.records import (
    BOOT_BITS,
    COUNT_LIMIT,
    MOST_CHANNELS,
    NUMBER_BITS,
    exactly,
    whole,
)

HEARTBEAT_EVERY_S = 0.1
"""How often an arming host speaks."""

HEARTBEAT_LOST_S = 0.5
"""An armed board that hears nothing for this long cuts the drive."""

ANSWER_WITHIN_S = 0.05
"""A board answers a command within this time, the wire not counted."""

STOP_WORD = b"\nstop\n"
"""Obeyed without number or checksum. The leading line feed ends any half-sent line."""

EDGES = "e"
"""Where a limit on the tachometer's edges per second applies, in place of a channel."""

FULL_THROTTLE = 1000
"""Throttle is told in thousandths."""


@dataclass(frozen=True, slots=True)
class AskHello:
    """Introduce yourself again."""

    word: ClassVar[str] = "hello"

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 0)
        return cls()

    def fields(self) -> tuple[object, ...]:
        """What follows the number."""
        return ()


@dataclass(frozen=True, slots=True)
class Arm:
    """Close the cut. Refused unless `boot` is the board's boot number, and at throttle 0."""

    word: ClassVar[str] = "arm"
    boot: int

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 1)
        return cls(whole(fields[0], 0, 2**BOOT_BITS - 1))

    def fields(self) -> tuple[object, ...]:
        """What follows the number."""
        return (self.boot,)


@dataclass(frozen=True, slots=True)
class Beat:
    """The host is alive."""

    word: ClassVar[str] = "beat"

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 0)
        return cls()

    def fields(self) -> tuple[object, ...]:
        """What follows the number."""
        return ()


@dataclass(frozen=True, slots=True)
class Throttle:
    """Drive the controller at `permille` thousandths of full throttle."""

    word: ClassVar[str] = "throttle"
    permille: int

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 1)
        return cls(whole(fields[0], 0, FULL_THROTTLE))

    def fields(self) -> tuple[object, ...]:
        """What follows the number."""
        return (self.permille,)


@dataclass(frozen=True, slots=True)
class Limit:
    """Cut when a reading lies outside `low` to `high` for `hold_ms`.

    `where` is a channel number (the bounds are summed counts) or EDGES (edges per second).
    A bound of None is none; both None takes the limit away.
    """

    word: ClassVar[str] = "limit"
    where: int | str
    low: int | None
    high: int | None
    hold_ms: int

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 4)
        where = fields[0] if fields[0] == EDGES else whole(fields[0], 0, MOST_CHANNELS - 1)
        return cls(where, bound(fields[1]), bound(fields[2]), whole(fields[3], 0, 65535))

    def fields(self) -> tuple[object, ...]:
        """What follows the number."""
        low = "-" if self.low is None else self.low
        high = "-" if self.high is None else self.high
        return (self.where, low, high, self.hold_ms)


@dataclass(frozen=True, slots=True)
class Zero:
    """Take the present reading of a channel as its zero. Refused while armed."""

    word: ClassVar[str] = "zero"
    channel: int

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 1)
        return cls(whole(fields[0], 0, MOST_CHANNELS - 1))

    def fields(self) -> tuple[object, ...]:
        """What follows the number."""
        return (self.channel,)


@dataclass(frozen=True, slots=True)
class Stop:
    """Cut the drive, now. Obeyed in every state."""

    word: ClassVar[str] = "stop"

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 0)
        return cls()

    def fields(self) -> tuple[object, ...]:
        """What follows the number."""
        return ()


Command = AskHello | Arm | Beat | Throttle | Limit | Zero | Stop

_COMMANDS: dict[str, type[Command]] = {
    kind.word: kind for kind in (AskHello, Arm, Beat, Throttle, Limit, Zero, Stop)
}


def line(command: Command, number: int) -> bytes:
    """The line that tells `command` under `number`."""
    fields = "".join(f",{value}" for value in command.fields())
    return frame(f"{command.word},{number}{fields}")


def stop_lines(number: int) -> bytes:
    """The bytes of a stop: the bare word first, then the numbered line that is answered."""
    return STOP_WORD + line(Stop(), number)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A numbered line that is no command: the board answers no with this reason."""

    number: int
    reason: str


def parse_command(raw: bytes) -> tuple[int | None, Command] | Refusal | Fault:
    """What a board makes of one line from the host, given without its line feed.

    The number is None for the bare word `stop`. A `Fault` is not answered, since its number
    cannot be trusted.
    """
    raw = raw.removesuffix(b"\r")
    if raw.strip().lower() == b"stop":
        return None, Stop()
    body = unframe(raw)
    if isinstance(body, Fault):
        return body
    word, *fields = body.decode("ascii").split(",")
    try:
        number = whole(fields[0], 0, 2**NUMBER_BITS - 1)
    except (ValueError, IndexError):
        return Fault.FIELDS
    kind = _COMMANDS.get(word)
    if kind is None:
        return Refusal(number, "unknown")
    try:
        return number, kind.parse(fields[1:])
    except ValueError:
        return Refusal(number, "fields")


def bound(field: str) -> int | None:
    """A limit's bound: a summed count, or `-` for none."""
    return None if field == "-" else whole(field, -COUNT_LIMIT, COUNT_LIMIT - 1)
