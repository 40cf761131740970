"""Who speaks in a journal or log: looked up before the reading begins.

A terminal's log may begin in mid-run and hold the board's introduction only later, so the
file is searched from its start until hello and channel lines are complete.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from rig.captures.files import check_file
from rig.errors import InputFileError
from rig.protocol.decoder import DataBlock, Decoder, decode_bulk
from rig.protocol.framing import LONGEST_REMARK
from rig.protocol.records import (
    FIXED_DATA_FIELDS,
    PROTOCOL_VERSION,
    SEQUENCE_BITS,
    TICK_BITS,
    Channel,
    Data,
    Hello,
    Record,
    Remark,
    Status,
)

CHUNK_BYTES = 2**19
JOURNAL = ".journal"


@dataclass(frozen=True, slots=True)
class Introduction:
    """What must be known before the first data line can be understood.

    `is_journal` is False for a plain log, in which no line can speak for the host.
    `early_lines_belong` says that data lines before the hello are of the same boot.
    """

    is_journal: bool
    begin: dict[str, Any]
    hello: Hello
    channels: tuple[Channel, ...]
    early_lines_belong: bool
    zeros: tuple[int, ...] = ()
    """What each channel took off when it introduced itself. `channels` have the zeros with which
    the board was armed: one may have been taken in between."""


Span = tuple[int, int]
"""From a byte of a file to another, which is not in it any more."""
WHOLE: Span = (0, sys.maxsize)


def introduce(path: Path, span: Span = WHOLE) -> Introduction:
    """Search `path` for its first run. Raises InputFileError where no board introduces itself."""
    check_file(path)
    is_journal = _is_journal(path)
    decoder = Decoder(remarks=is_journal)
    begin: dict[str, Any] = {}
    hello: Hello | None = None
    channels: dict[int, Channel] = {}
    newest: Data | None = None
    before: Data | None = None
    after: Data | None = None
    records = decode_bulk(chunks(path, span), decoder)
    for record in records:
        complete = hello is not None and sorted(channels) == list(range(hello.channels))
        if isinstance(record, DataBlock):
            first, newest = DataBlock(record.fields[[0, -1]]).records()
            after = first if complete else None
        elif isinstance(record, Data):
            newest = record
            after = record if complete else None
        elif isinstance(record, Hello) and not complete:
            if hello is None or record.boot != hello.boot:
                channels.clear()
                before = newest
            hello = record
        elif isinstance(record, Channel) and not complete:
            channels[record.index] = record
        elif isinstance(record, Remark) and record.kind == "begin":
            if begin:
                break  # another run, with an introduction of its own
            begin = record.content
        if after is not None:
            break
    if hello is None or sorted(channels) != list(range(hello.channels)):
        raise _nobody(path, decoder.counts.good)
    if hello.protocol != PROTOCOL_VERSION:
        raise InputFileError(
            f"the board speaks version {hello.protocol} of the protocol, "
            f"this program version {PROTOCOL_VERSION}",
            where=str(path),
            to_do="Update this program, or flash firmware for the version it speaks.",
        )
    in_order = tuple(channels[index] for index in sorted(channels))
    belong = before is not None and (after is None or _follows(before, after, hello))
    zeros = tuple(channel.zero for channel in in_order)
    if hello.can_zero and after is not None and not after.status & Status.ARMED:
        in_order = _with_zeros(records, hello, in_order)
    return Introduction(is_journal, begin, hello, in_order, belong, zeros)


def _with_zeros(
    records: Iterator[Record | DataBlock], hello: Hello, channels: tuple[Channel, ...]
) -> tuple[Channel, ...]:
    """The channels as they were when the board was first armed, or at the end of the run."""
    known = list(channels)
    for record in records:
        if isinstance(record, DataBlock):
            if (record.fields[:, FIXED_DATA_FIELDS - 1] & Status.ARMED).any():
                break
        elif isinstance(record, Data):
            if record.status & Status.ARMED:
                break
        elif isinstance(record, Hello):
            if record.boot != hello.boot:
                break
        elif isinstance(record, Channel):
            if is_zeroed(record, known):
                known[record.index] = record
        elif isinstance(record, Remark) and record.kind == "begin":
            break
    return tuple(known)


def is_zeroed(channel: Channel, known: Sequence[Channel]) -> bool:
    """Whether a channel line differs from what is known of its channel by its zero at most."""
    return channel.index < len(known) and (
        replace(known[channel.index], zero=channel.zero) == channel
    )


def runs_in(path: Path) -> list[Span]:
    """Where the runs of a journal stand, if several were appended to one another.

    What stands before the first `begin` is a part too; a plain log is one part. Raises
    InputFileError.
    """
    starts = [0]
    if _is_journal(path):
        chunk_at = tail_at = 0
        tail = b""
        for chunk in chunks(path):
            lines = tail + chunk
            for found in _BEGINS.finditer(lines):
                place = found.start()
                at = chunk_at + place - len(tail) if place else tail_at
                if at and _begin(found[0]) is not None:
                    starts.append(at)
            end = lines.rfind(b"\n") + 1
            tail_at = chunk_at + end - len(tail) if end else tail_at
            tail = lines[end:][: LONGEST_REMARK + 2]  # enough to see that a line is too long
            chunk_at += len(chunk)
    return list(pairwise([*starts, sys.maxsize]))


_BEGINS = re.compile(rb"(?m)^!begin,[^\n]*(?=\n)")


def read_begin(path: Path) -> dict[str, Any]:
    """What a journal's first line says; empty where it says nothing."""
    line, newline, _ = _head(path).partition(b"\n")
    return (_begin(line) if newline else None) or {}


def _begin(line: bytes) -> dict[str, Any] | None:
    record = Decoder(remarks=True).decode(line)
    return record.content if isinstance(record, Remark) and record.kind == "begin" else None


def unreadable(path: Path, error: OSError) -> InputFileError:
    """The error for a file that the system will not read."""
    return InputFileError((error.strerror or str(error)).lower(), where=str(path))


def _follows(before: Data, after: Data, hello: Hello) -> bool:
    """Whether two lines can be of one boot: as many ticks apart as their numbers say."""
    lines = (after.sequence - before.sequence) % 2**SEQUENCE_BITS
    ticks = (after.tick - before.tick) % 2**TICK_BITS
    due = lines * hello.tick_hz / hello.line_hz
    return bool(0.5 * due < ticks < 2.0 * due)


def _nobody(path: Path, good: int) -> InputFileError:
    if good:
        what = "the board's hello and channel lines are not in it"
        to_do = "Reset the board while the log runs: it introduces itself at power-up."
    else:
        what = "it holds no line of a board"
        to_do = "Is it a journal, or a log of a board's lines at the right baud rate?"
    return InputFileError(f"no capture can be made: {what}", where=str(path), to_do=to_do)


def _is_journal(path: Path) -> bool:
    return path.suffix == JOURNAL or _head(path).startswith(b"!begin,")


def _head(path: Path) -> bytes:
    return next(chunks(path), b"")


def chunks(path: Path, span: Span = WHOLE) -> Iterator[bytes]:
    """The bytes of a part of a file, a piece at a time. Raises InputFileError."""
    place, end = span
    try:
        with path.open("rb") as file:
            file.seek(place)
            while chunk := file.read(min(CHUNK_BYTES, end - place)):
                place += len(chunk)
                yield chunk
    except OSError as error:
        raise unreadable(path, error) from error
