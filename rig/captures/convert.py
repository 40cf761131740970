"""Journal to capture: streamed, read back, and under its final name only when it is whole."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from rig.captures.capture import Meta, finite, read_meta
from rig.captures.files import sweep, write_new
from rig.captures.journal_head import WHOLE, Introduction, Span, introduce
from rig.captures.names import count_columns
from rig.captures.story import Block, Ints, JournalReader
from rig.captures.table import ROWS_AT_ONCE, TableWriter, phase_code, raw_rows, read_back
from rig.captures.unwrap import Unwrapper
from rig.errors import DiskError, InputFileError
from rig.protocol.records import FIXED_DATA_FIELDS, Channel, Hello, Status
from rig.stand.model import Stand
from rig.stand.reference import QUANTITY, CountScale
from rig.stand.sampler import Sampler
from rig.stand.settings import stand_from_dict, stand_to_dict
from rig.stand.turns import EdgeScale
from rig.vocabulary import RunOutcome, State

if TYPE_CHECKING:
    from rig.stand.uncertainty import Components

Progress = Callable[[float], None]


_log = logging.getLogger(__name__)


def convert(
    journal: Path,
    out: Path | None = None,
    *,
    stand: Stand | None = None,
    setup: str | None = None,
    progress: Progress | None = None,
    span: Span = WHOLE,
) -> Path:
    """Make a capture of a journal or of a plain log of a board's lines, its first run.

    A log without our remarks needs `stand`. The capture gets the journal's name unless
    `out` says otherwise, and never replaces a file. `progress` is told the fraction done.
    Raises InputFileError, SettingsError, DiskError; the journal is left as it is in every
    case.
    """
    _log.info("making a capture of %s", journal)
    introduction = introduce(journal, span)
    stand = stand or _stand_of(introduction, journal)
    sampler = Sampler(stand, introduction.hello, introduction.channels)
    wanted = out or journal.with_suffix(".parquet")
    reader = JournalReader(journal, introduction, progress or (lambda _: None), span)
    maker = _Maker(journal, introduction, reader)

    def write(file: BinaryIO) -> None:
        with TableWriter(file, sampler, introduction.channels) as table:
            maker.fill(table)
            table.describe(maker.meta(stand, setup))

    return write_new(
        wanted,
        write,
        lambda partial: read_back(partial, maker.rows),
        to_do=f"Make room on the disk. The journal is kept: {journal}",
    )


def finish(journal: Path, progress: Progress | None = None) -> Path:
    """The capture of a journal, which is removed once the capture was read back whole.

    Where lines had to be left out because the board was reset, or because the file holds more
    than one run, the journal stays too.
    """
    capture = convert(journal, progress=progress)
    sweep(journal.with_suffix(".parquet"))
    if not read_meta(capture).statistics["after_restart"]:
        try:
            journal.unlink(missing_ok=True)
        except OSError as error:
            raise DiskError(
                f"the journal cannot be removed: {(error.strerror or str(error)).lower()}",
                where=str(journal),
                to_do=f"Its capture is whole: {capture}",
            ) from error
    return capture


def recalibrate(capture: Path, stand: Stand, wanted: Path, made: str = "") -> Path:
    """Compute the physical columns of `capture` anew from its raw counts, at `made` (UTC).

    Gives the path of the new capture: `wanted`, or a name near it if that is taken. The old one
    stays. Raises InputFileError, SettingsError, DiskError.
    """
    meta = read_meta(capture)
    hello, channels = board_of(meta, capture)
    sampler = Sampler(stand, hello, channels)

    def write(file: BinaryIO) -> None:
        with TableWriter(file, sampler, channels) as table:
            for rows in raw_rows(capture, channels):
                table.write(*rows)
            table.describe(replace(meta, stand=stand_to_dict(stand), calibrated=made))

    return write_new(wanted, write, lambda partial: read_back(partial, meta.rows))


class _Maker:
    """One conversion: journal in, rows out, and then what is known about the run."""

    def __init__(self, journal: Path, introduction: Introduction, reader: JournalReader) -> None:
        self.rows = 0
        self._journal, self._introduction = journal, introduction
        self._reader = reader
        self._unwrapper = Unwrapper()
        self._last_s: float | None = None
        self._armed_seen = self._cut_at_limit = False
        self._events: dict[str, list[dict[str, Any]]] = {}

    def fill(self, table: TableWriter) -> None:
        """Write all rows of the journal."""
        first_row = 0
        for blocks in _gathered(self._reader.blocks()):
            fields = np.concatenate([block.fields for block in blocks])
            unwrapped = self._unwrapper.feed(fields)
            kept = unwrapped.kept
            times_s = np.empty(0)
            if len(kept):
                fields = fields[kept]
                phases = self._phases(blocks, fields, kept)
                throttle_pct = _per_row(blocks, [block.throttle_pct for block in blocks])[kept]
                times_s = table.write(fields, unwrapped.counters, phases, throttle_pct)
                self.rows += len(kept)
            self._time_events(kept + first_row, times_s)
            first_row = self._reader.story.rows
        self._time_events(np.empty(0, np.int64), np.empty(0))

    def meta(self, stand: Stand, setup: str | None) -> Meta:
        """What is known about the run, once all rows are written."""
        begin, story = self._introduction.begin, self._reader.story
        end = story.end or {}
        no_end = RunOutcome.CUT_OFF if self._introduction.is_journal else RunOutcome.IMPORTED
        if self._cut_at_limit:
            no_end = RunOutcome.TRIPPED
            end = {"cause": "the board cut the drive at one of its limits"}
        described = {
            "setup": setup or begin.get("setup", self._journal.stem),
            "outcome": end.get("outcome", no_end),
            "exit_code": end.get("exit_code"),
            "cause": end.get("cause"),
            "rows": self.rows,
            "seconds": self._last_s,
            "stand": stand_to_dict(stand),
            "hello": self._introduction.hello.body(),
            "channels": [channel.body() for channel in self._introduction.channels],
            "alarms": self._events.get("alarm"),
            "marks": self._events.get("mark"),
            "states": self._events.get("state"),
            "told": self._events.get("told"),
            "statistics": self._statistics(end),
        }
        if not begin.get("utc"):
            described["filed"] = self._filed()
        kept = {name: begin.get(name) for name in _FROM_BEGIN}
        return Meta.from_dict(finite(kept | described))

    def _filed(self) -> str:
        """When a log began that ended when its file was last written."""
        ended_s = self._journal.stat().st_mtime
        return datetime.fromtimestamp(ended_s - (self._last_s or 0.0), UTC).isoformat()

    def _phases(self, blocks: Sequence[Block], fields: Ints, kept: Ints) -> NDArray[np.int8]:
        if self._introduction.is_journal:
            codes = [phase_code(block.phase) for block in blocks]
            return _per_row(blocks, codes)[kept].astype(np.int8)
        # Nobody watched: the board itself says when it was armed, if it can be at all.
        driven = np.full(len(kept), True)
        if self._introduction.hello.can_stop:
            status = fields[:, FIXED_DATA_FIELDS - 1]
            driven = status & Status.ARMED != 0
            seen = np.logical_or.accumulate(driven) | self._armed_seen
            self._cut_at_limit |= bool((seen & (status & Status.LIMIT != 0)).any())
            self._armed_seen = bool(seen[-1])
        running, imported = phase_code(State.RUNNING), phase_code(RunOutcome.IMPORTED)
        return np.where(driven, running, imported).astype(np.int8)

    def _time_events(self, rows: Ints, times_s: NDArray[np.float64]) -> None:
        """Give each remark the time of the row before it; None before the first row."""
        for event in self._reader.story.take_events():
            before = int(np.searchsorted(rows, event.row))
            time_s = float(times_s[before - 1]) if before else self._last_s
            self._events.setdefault(event.kind, []).append(event.content | {"time_s": time_s})
        if len(times_s):
            self._last_s = float(times_s[-1])

    def _statistics(self, end: dict[str, Any]) -> dict[str, Any]:
        story, unwrapper = self._reader.story, self._unwrapper
        counts = story.decoder.counts
        dropped = unwrapper.repeated + unwrapper.late
        after_restart = story.after_restart + story.rows - self.rows - dropped
        return {
            "good": counts.good,
            "unknown": counts.unknown,
            "before_first": counts.before_first,
            "rejected": {fault.value: number for fault, number in counts.rejected.items()},
            "lost": unwrapper.lost,
            "repeated": unwrapper.repeated,
            "late": unwrapper.late,
            "misfits": story.misfits,
            "before_introduction": story.before_introduction,
            "restarted": story.restarted or unwrapper.restarted,
            "after_restart": after_restart,
            "cut_line": story.cut_line,
            "recorder": end.get("statistics"),
        }


_FROM_BEGIN = ("run", "campaign", "notes", "pairs", "utc", "plan", "port", "host", "stop_proof")


def _gathered(blocks: Iterator[Block]) -> Iterator[list[Block]]:
    """Blocks, as many together as make a row group."""
    waiting: list[Block] = []
    rows = 0
    for block in blocks:
        waiting.append(block)
        rows += len(block.fields)
        if rows >= ROWS_AT_ONCE:
            yield waiting
            waiting, rows = [], 0
    if waiting:
        yield waiting


def _per_row(blocks: Sequence[Block], values: Sequence[float]) -> NDArray[Any]:
    return np.repeat(values, [len(block.fields) for block in blocks])


def _stand_of(introduction: Introduction, journal: Path) -> Stand:
    raw = introduction.begin.get("stand")
    if not isinstance(raw, dict):
        raise InputFileError(
            "a log without the stand it came from",
            where=str(journal),
            to_do="Name the stand's settings with --stand.",
        )
    return stand_from_dict(raw, f"{journal}, begin")


def sampler_of(
    stand: Mapping[str, Any],
    hello: str,
    channels: Sequence[str],
    components: Components | None = None,
) -> Sampler:
    """The calibration that a capture's metadata describe. Raises RigError."""
    return Sampler(stand_from_dict(stand), *_board(hello, channels, "capture"), components)


def edge_scale_of(meta: Meta) -> EdgeScale | None:
    """What figures need to know of the tachometer; None where the capture does not say."""
    settings = meta.stand.get("tachometer")
    try:
        marks = int(settings["pulses_per_revolution"])  # type: ignore[index]
        tick_hz = Hello.parse(meta.hello.split(",")[1:]).tick_hz
    except (KeyError, TypeError, ValueError, OverflowError, IndexError):
        return None
    return EdgeScale(marks, tick_hz) if marks >= 1 else None


def reference_scale_of(meta: Meta) -> CountScale | None:
    """Where the capture has the counts of the converter's reference; None where it has none."""
    try:
        channels = [Channel.parse(body.split(",")[1:]) for body in meta.channels]
    except (ValueError, IndexError):
        return None
    columns = count_columns(channel.label for channel in channels)
    for column, channel in zip(columns, channels, strict=True):
        if channel.quantity == QUANTITY:
            return CountScale(column, channel.conversions, channel.zero)
    return None


def board_of(meta: Meta, where: Path) -> tuple[Hello, list[Channel]]:
    """The board that recorded a capture. Raises InputFileError naming `where`."""
    return _board(meta.hello, meta.channels, str(where))


def _board(hello: str, channels: Sequence[str], where: str) -> tuple[Hello, list[Channel]]:
    try:
        return (
            Hello.parse(hello.split(",")[1:]),
            [Channel.parse(body.split(",")[1:]) for body in channels],
        )
    except (ValueError, IndexError) as error:
        raise InputFileError("its description of the board is damaged", where=where) from error
