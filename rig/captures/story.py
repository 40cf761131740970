"""A journal read from end to end: blocks of data lines with their phase, and the story around.

One reader serves the end of a run, the salvage of a crash and the import of a log that a
serial terminal took: they differ only in which of the host's remarks are there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import InputFileError
from rig.protocol.decoder import DataBlock, Decoder, decode_bulk
from rig.protocol.records import (
    FIXED_DATA_FIELDS,
    Channel,
    Data,
    Hello,
    Record,
    Remark,
)

CHUNK_BYTES = 2**19
IMPORTED = "imported"
"""The phase of lines that no recorder watched."""

Ints = NDArray[np.int64]


@dataclass(slots=True)
class Story:
    """What a journal tells besides its data lines, as far as it was read."""

    begin: dict[str, Any] = field(default_factory=dict)
    end: dict[str, Any] | None = None
    hello: Hello | None = None
    channels: list[Channel] = field(default_factory=list)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)
    states: list[dict[str, Any]] = field(default_factory=list)
    told: list[dict[str, Any]] = field(default_factory=list)
    restarted: bool = False
    misfits: int = 0
    """Data lines without a count for each channel."""
    before_introduction: int = 0
    cut_line: bool = False
    decoder: Decoder = field(default_factory=lambda: Decoder(remarks=True))


class JournalReader:
    """Reads `path`; `story` grows while `blocks` is used up."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.story = Story()
        self._phase = IMPORTED
        self._channels: dict[int, Channel] = {}

    def blocks(self) -> Iterator[tuple[str, Ints]]:
        """Phase and fields, shape (rows, 5 + channels), of runs of data lines.

        Ends early when the board was reset. Raises InputFileError.
        """
        story = self.story
        for record in decode_bulk(self._chunks(), story.decoder):
            if isinstance(record, DataBlock):
                fields = record.fields
            elif isinstance(record, Data):
                fields = _row(record)
            else:
                self._hear(record)
                if story.restarted:
                    return
                continue
            if not story.channels:
                story.before_introduction += len(fields)
            elif fields.shape[1] != FIXED_DATA_FIELDS + len(story.channels):
                story.misfits += len(fields)
            else:
                yield self._phase, fields
        story.cut_line = bool(story.decoder.pending)

    def _chunks(self) -> Iterator[bytes]:
        try:
            with self.path.open("rb") as file:
                while chunk := file.read(CHUNK_BYTES):
                    yield chunk
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise InputFileError(reason, where=str(self.path)) from error

    def _hear(self, record: Record) -> None:
        story = self.story
        match record:
            case Hello():
                if story.hello is not None and record.boot != story.hello.boot:
                    story.restarted = bool(story.channels)
                    self._channels.clear()
                if not story.restarted:
                    story.hello = record
                self._introduced()
            case Channel():
                self._channels[record.index] = record
                self._introduced()
            case Remark():
                self._remember(record)

    def _introduced(self) -> None:
        story = self.story
        if story.channels or story.hello is None:
            return
        if sorted(self._channels) == list(range(story.hello.channels)):
            story.channels = [self._channels[index] for index in sorted(self._channels)]

    def _remember(self, remark: Remark) -> None:
        story, content = self.story, {**remark.content, "host_s": remark.host_s}
        match remark.kind:
            case "begin" if not story.begin:
                story.begin = remark.content
            case "end":
                story.end = remark.content
            case "state":
                self._phase = str(content.get("state", ""))[:24]
                story.states.append(content)
            case "alarm":
                story.alarms.append(content)
            case "mark":
                story.marks.append(content)
            case "told":
                story.told.append(content)


def _row(data: Data) -> Ints:
    fixed = [data.sequence, data.tick, data.edges, data.edge_tick, data.status]
    return np.array([[*fixed, *data.counts]], dtype=np.int64)
