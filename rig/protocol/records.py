"""What a board says, one class per record, each able to read and to write its own line.

A class knows only its fields: `parse` takes the fields after the record's letter and
raises ValueError for anything the document does not allow; `body` writes the same line
back. The tables in firmware_protocol.md and these classes describe one thing; a test runs
every line of the document through both.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import IntFlag
from typing import Any, ClassVar, NamedTuple, Self

from rig.protocol.framing import Fault, is_printable

PROTOCOL_VERSION = 1

SEQUENCE_BITS = 16
TICK_BITS = 32
EDGE_BITS = 16
BOOT_BITS = 16
NUMBER_BITS = 16

MOST_CHANNELS = 16
LONGEST_TEXT = 24
COUNT_LIMIT = 2**31
"""A summed count lies in -COUNT_LIMIT to COUNT_LIMIT - 1."""

FIXED_DATA_FIELDS = 5
"""Sequence, tick, edges, edge tick and status stand before the counts in a data line."""


class Status(IntFlag):
    """The status bits of a data line."""

    ARMED = 1
    CUT = 2
    LIMIT = 4
    HEARTBEAT = 8
    WATCHDOG = 16
    REJECTED = 32
    EDGES = 64
    BUTTON = 128
    FAULT = 256


STATUS_LIMIT = 1 << 16
"""Status bits above those of `Status` are kept and ignored, so that boards can grow."""

_SEQUENCES, _TICKS, _EDGES = 1 << SEQUENCE_BITS, 1 << TICK_BITS, 1 << EDGE_BITS

_WHOLE_NUMBERS = re.compile("-?[0-9]+(,-?[0-9]+)*")


@dataclass(frozen=True, slots=True)
class Hello:
    """The board introduces itself: at power-up, after a reset, and when asked."""

    letter: ClassVar[str] = "H"

    protocol: int
    board: str
    firmware: str
    boot: int
    tick_hz: int
    line_hz: int
    abilities: frozenset[str]
    channels: int

    @property
    def can_stop(self) -> bool:
        """Whether the board obeys arm, heartbeat and stop."""
        return "S" in self.abilities

    @property
    def can_throttle(self) -> bool:
        """Whether the board drives the throttle."""
        return "T" in self.abilities

    @property
    def can_limit(self) -> bool:
        """Whether the board holds limits of its own."""
        return "L" in self.abilities

    @property
    def can_zero(self) -> bool:
        """Whether the board can zero a channel."""
        return "Z" in self.abilities

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        """Of a later protocol version only the fields that version 1 knows are read."""
        version = whole(fields[0], 1, 999)
        if len(fields) < 8 or (version == PROTOCOL_VERSION and len(fields) != 8):
            raise ValueError("a hello has 8 fields")
        return cls(
            protocol=version,
            board=text(fields[1]),
            firmware=text(fields[2]),
            boot=whole(fields[3], 0, 2**BOOT_BITS - 1),
            tick_hz=whole(fields[4], 1000, 100_000_000),
            line_hz=whole(fields[5], 1, 10_000),
            abilities=letters(fields[6]),
            channels=whole(fields[7], 0, MOST_CHANNELS),
        )

    def body(self) -> str:
        """The line without its checksum."""
        return (
            f"H,{self.protocol},{self.board},{self.firmware},{self.boot},"
            f"{self.tick_hz},{self.line_hz},{joined(self.abilities)},{self.channels}"
        )


@dataclass(frozen=True, slots=True)
class Channel:
    """One input of the board, in the order in which data lines give their counts.

    `full_scale` is the count that one conversion would give at the reference; `conversions`
    is how many are summed in a data line; `zero` is what the board subtracts from the sum.
    """

    letter: ClassVar[str] = "C"

    index: int
    quantity: str
    label: str
    full_scale: int
    conversions: int
    abilities: frozenset[str]
    zero: int

    @property
    def can_limit(self) -> bool:
        """Whether the board can hold a limit on this channel."""
        return "L" in self.abilities

    @property
    def can_zero(self) -> bool:
        """Whether the board can zero this channel."""
        return "Z" in self.abilities

    @property
    def bipolar(self) -> bool:
        """Whether the converter reads below zero, down to -full_scale."""
        return "B" in self.abilities

    @property
    def highest_count(self) -> int:
        """The summed count at the upper end of the converter's scale."""
        return (self.full_scale - 1) * self.conversions - self.zero

    @property
    def lowest_count(self) -> int:
        """The summed count at the lower end of the converter's scale."""
        return (-self.full_scale if self.bipolar else 0) * self.conversions - self.zero

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 7)
        channel = cls(
            index=whole(fields[0], 0, MOST_CHANNELS - 1),
            quantity=text(fields[1]),
            label=text(fields[2]),
            full_scale=whole(fields[3], 2, COUNT_LIMIT),
            conversions=whole(fields[4], 1, 65535),
            abilities=letters(fields[5]),
            zero=whole(fields[6], -COUNT_LIMIT, COUNT_LIMIT - 1),
        )
        if channel.highest_count >= COUNT_LIMIT or channel.lowest_count < -COUNT_LIMIT:
            raise ValueError("the summed count would not fit in 32 bits")
        return channel

    def body(self) -> str:
        """The line without its checksum."""
        return (
            f"C,{self.index},{self.quantity},{self.label},{self.full_scale},"
            f"{self.conversions},{joined(self.abilities)},{self.zero}"
        )


class Data(NamedTuple):
    """One reading of everything, still in counts and ticks and still wrapped.

    A tuple, since a live run makes one for every line.
    """

    sequence: int
    tick: int
    edges: int
    edge_tick: int
    status: int
    counts: tuple[int, ...]

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        if not _WHOLE_NUMBERS.fullmatch(",".join(fields)):
            raise ValueError("a data line holds whole numbers only")
        return cls.of(fields)

    @classmethod
    def of(cls, numbers: Iterable[str | bytes]) -> Self:
        """The record of fields in which only digits and minus signs stand.

        Raises ValueError where they are no whole numbers, out of range, too few or too many.
        """
        sequence, tick, edges, edge_tick, status, *counts = map(int, numbers)
        if not (
            0 <= sequence < _SEQUENCES
            and 0 <= tick < _TICKS
            and 0 <= edges < _EDGES
            and 0 <= edge_tick < _TICKS
            and 0 <= status < STATUS_LIMIT
            and len(counts) <= MOST_CHANNELS
            and (not counts or (min(counts) >= -COUNT_LIMIT and max(counts) < COUNT_LIMIT))
        ):
            raise ValueError("a data line has 5 fields and one per channel, each in its range")
        return cls(sequence, tick, edges, edge_tick, status, tuple(counts))

    def body(self) -> str:
        """The line without its checksum."""
        counts = "".join(f",{count}" for count in self.counts)
        return f"D,{self.sequence},{self.tick},{self.edges},{self.edge_tick},{self.status}{counts}"


@dataclass(frozen=True, slots=True)
class Answer:
    """The board's answer to one command. `reason` is empty when the answer is yes."""

    letter: ClassVar[str] = "A"

    number: int
    reason: str = ""

    @property
    def accepted(self) -> bool:
        """Whether the board did what it was told."""
        return not self.reason

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        number = whole(fields[0], 0, 2**NUMBER_BITS - 1)
        if list(fields[1:]) == ["ok"]:
            return cls(number)
        if len(fields) == 3 and fields[1] == "no":
            return cls(number, text(fields[2]))
        raise ValueError("an answer is ok, or no and a reason")

    def body(self) -> str:
        """The line without its checksum."""
        return f"A,{self.number},no,{self.reason}" if self.reason else f"A,{self.number},ok"


@dataclass(frozen=True, slots=True)
class Cut:
    """The board took the drive away. `where` is a channel number, `e` for edges, or `-`."""

    letter: ClassVar[str] = "X"

    tick: int
    cause: str
    where: str = "-"

    @classmethod
    def parse(cls, fields: Sequence[str]) -> Self:
        exactly(fields, 3)
        return cls(whole(fields[0], 0, 2**TICK_BITS - 1), text(fields[1]), text(fields[2]))

    def body(self) -> str:
        """The line without its checksum."""
        return f"X,{self.tick},{self.cause},{self.where}"


@dataclass(frozen=True, slots=True)
class Remark:
    """A line that the host itself wrote into a journal, between the board's lines.

    `host_s` is seconds since the journal began, by the host's steady clock.
    """

    letter: ClassVar[str] = "!"

    kind: str
    host_s: float
    content: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def parse(cls, body: str) -> Self:
        """Takes the whole body after `!`: the content is JSON and may hold commas."""
        kind, host_s, content = body.split(",", 2)
        seconds = float(host_s)
        value = json.loads(content)
        if not isinstance(value, dict) or not math.isfinite(seconds):
            raise ValueError("a remark is a kind, a time and an object")
        return cls(text(kind), seconds, value)

    def body(self) -> str:
        """The line without its checksum."""
        content = json.dumps(self.content, separators=(",", ":")).replace("\x7f", "\\u007f")
        return f"!{self.kind},{self.host_s:.6f},{content}"


@dataclass(frozen=True, slots=True)
class Unknown:
    """A well-framed line of a type this version does not know. Skipped, and counted."""

    body: str


@dataclass(frozen=True, slots=True)
class Rejected:
    """A line that could not be used. `line` is what came, at most 120 bytes of it."""

    fault: Fault
    line: bytes


Record = Hello | Channel | Data | Answer | Cut | Remark | Unknown | Rejected


def whole(field: str, lowest: int, highest: int) -> int:
    """A plain decimal integer in range: no sign but a minus, no space, no underscore."""
    digits = field[1:] if field[:1] == "-" else field
    if not digits.isdecimal() or not digits.isascii():
        raise ValueError(f"not a whole number: {field!r}")
    value = int(field)
    if not lowest <= value <= highest:
        raise ValueError(f"{value} is not in {lowest} to {highest}")
    return value


def text(field: str) -> str:
    """A short text: 1 to 24 printable characters, no comma, no asterisk."""
    if not 1 <= len(field) <= LONGEST_TEXT or "," in field or "*" in field:
        raise ValueError(f"not a text of 1 to {LONGEST_TEXT} characters: {field!r}")
    if not is_printable(field.encode("ascii", "replace")):
        raise ValueError(f"not printable: {field!r}")
    return field


def letters(field: str) -> frozenset[str]:
    """Ability letters, `-` for none. Letters this version does not know are kept."""
    if field == "-":
        return frozenset()
    if not field.isalpha() or not field.isupper() or len(field) > 16:
        raise ValueError(f"not ability letters: {field!r}")
    return frozenset(field)


def joined(abilities: frozenset[str]) -> str:
    """Ability letters as they stand in a line."""
    return "".join(sorted(abilities)) or "-"


def exactly(fields: Sequence[str], expected: int) -> None:
    """Raises ValueError unless there are as many fields as the document says."""
    if len(fields) != expected:
        raise ValueError(f"{len(fields)} fields instead of {expected}")
