"""A journal read from end to end: blocks of data lines with their phase, and the story around.

One reader serves the end of a run, the salvage of a crash and the import of a log that a
serial terminal took: they differ only in which of the host's remarks are there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.captures.journal_head import (
    WHOLE,
    Introduction,
    Span,
    chunks,
    is_zeroed,
    unreadable,
)
from rig.protocol.commands import FULL_THROTTLE, Stop, Throttle, parse_command
from rig.protocol.decoder import DataBlock, Decoder, decode_bulk
from rig.protocol.framing import LONGEST_REMARK, Fault, unframe
from rig.protocol.records import FIXED_DATA_FIELDS, Channel, Data, Hello, Record, Remark
from rig.vocabulary import RunOutcome, State

Ints = NDArray[np.int64]
EVENT_KINDS = ("alarm", "mark", "state", "told")


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive data lines under one state and one throttle.

    `fields` has shape (rows, 5 + channels), as the lines stood, but that all counts have the zero
    with which the board was armed; `throttle_pct` is nan before the first command.
    """

    fields: Ints
    phase: str
    throttle_pct: float


@dataclass(frozen=True, slots=True)
class Event:
    """A remark, and after how many data lines it stands."""

    kind: str
    row: int
    content: dict[str, Any]


@dataclass(slots=True)
class Story:
    """What a journal tells besides its data lines, as far as it was read."""

    decoder: Decoder
    end: dict[str, Any] | None = None
    events: list[Event] = field(default_factory=list)
    rows: int = 0
    """Data lines given out so far."""
    restarted: bool = False
    after_restart: int = 0
    misfits: int = 0
    """Data lines without a count for each channel."""
    before_introduction: int = 0
    cut_line: bool = False

    def take_events(self) -> list[Event]:
        """The remarks since the last call."""
        taken, self.events = self.events, []
        return taken


class JournalReader:
    """Reads `path`; `story` grows while `blocks` is used up."""

    def __init__(
        self,
        path: Path,
        introduction: Introduction,
        progress: Callable[[float], None],
        span: Span = WHOLE,
    ) -> None:
        self.story = Story(Decoder(remarks=introduction.is_journal))
        self._path, self._progress, self._span = path, progress, span
        self._begun = self._over = False
        self._boot = introduction.hello.boot
        self._width = FIXED_DATA_FIELDS + len(introduction.channels)
        self._ours = introduction.early_lines_belong
        self._phase: str = State.LINKING if introduction.is_journal else RunOutcome.IMPORTED
        self._throttle_pct = math.nan
        self._channels = introduction.channels
        self._shift = np.zeros(self._width, dtype=np.int64)
        for channel, zero in zip(introduction.channels, introduction.zeros, strict=False):
            self._shift[FIXED_DATA_FIELDS + channel.index] = zero - channel.zero

    def blocks(self) -> Iterator[Block]:
        """The data lines of the run and boot that were introduced. Raises InputFileError.

        After a reset of the board the story is still read to its end, for its outcome.
        """
        story = self.story
        for record in decode_bulk(self._chunks(), story.decoder):
            if isinstance(record, DataBlock):
                fields = record.fields
            elif isinstance(record, Data):
                fields = _row(record)
            else:
                self._hear(record)
                continue
            if story.restarted:
                story.after_restart += len(fields)
            elif not self._ours:
                story.before_introduction += len(fields)
            elif fields.shape[1] != self._width:
                story.misfits += len(fields)
            else:
                story.rows += len(fields)
                if self._shift.any():
                    fields = fields + self._shift
                yield Block(fields, self._phase, self._throttle_pct)
        story.cut_line = bool(story.decoder.pending)

    def _chunks(self) -> Iterator[bytes]:
        try:
            start, end = self._span
            size = max(min(self._path.stat().st_size, end) - start, 1)
            done = 0
            for chunk in chunks(self._path, self._span):
                yield chunk
                done += len(chunk)
                self._progress(min(done / size, 1.0))
        except OSError as error:
            raise unreadable(self._path, error) from error
        # A last line that lacks only its line feed is proven whole by its checksum.
        last = self.story.decoder.pending.removesuffix(b"\r")
        if last and not isinstance(unframe(last, LONGEST_REMARK), Fault):
            yield b"\n"

    def _hear(self, record: Record) -> None:
        if isinstance(record, Remark):
            self._remember(record)
        elif isinstance(record, Channel):
            if self._ours and is_zeroed(record, self._channels):
                of = self._channels[record.index]
                self._shift[FIXED_DATA_FIELDS + record.index] = record.zero - of.zero
        elif isinstance(record, Hello):
            if record.boot == self._boot:
                self._ours = True
            elif self._ours:
                self.story.restarted = True

    def _remember(self, remark: Remark) -> None:
        content = remark.content
        if remark.kind == "begin":
            # A second one begins another run, of which nothing belongs to this one.
            self._over, self._begun = self._begun, True
            self.story.restarted |= self._over
        if self._over:
            return
        if remark.kind == "end":
            self.story.end = content
        elif remark.kind in EVENT_KINDS:
            if remark.kind == "state":
                self._phase = str(content.get("state"))
            elif remark.kind == "told":
                self._throttle_pct = _throttle_pct(content, self._throttle_pct)
            event = Event(remark.kind, self.story.rows, {**content, "host_s": remark.host_s})
            self.story.events.append(event)


def _throttle_pct(told: dict[str, Any], before: float) -> float:
    """The throttle after a command was told, in percent."""
    heard = parse_command(str(told.get("line")).encode("ascii", "replace"))
    match heard:
        case (_, Throttle(permille)):
            return 100.0 * permille / FULL_THROTTLE
        case (_, Stop()):
            return 0.0
    return before


def _row(data: Data) -> Ints:
    fixed = [data.sequence, data.tick, data.edges, data.edge_tick, data.status]
    return np.array([[*fixed, *data.counts]], dtype=np.int64)
