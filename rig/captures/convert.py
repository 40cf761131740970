"""Journal to capture: streamed, checked, and under its final name only when it is whole."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from rig.captures.capture import META_KEY, Meta, read_meta
from rig.captures.files import sweep, write_new
from rig.captures.names import count_columns
from rig.captures.story import JournalReader, Story
from rig.captures.unwrap import Unwrapper
from rig.errors import DiskError, InputFileError, RigError
from rig.protocol.records import FIXED_DATA_FIELDS, Channel, Hello
from rig.stand.model import Stand
from rig.stand.quantities import unit_of
from rig.stand.sampler import Sampler
from rig.stand.settings import stand_from_dict, stand_to_dict

ROWS_AT_ONCE = 65_536
"""A row group; all that is in memory at one time."""

Ints = NDArray[np.int64]
Progress = Callable[[float], None]


def finish(journal: Path, progress: Progress | None = None) -> Path:
    """The capture of a journal, which is removed once the capture was read back whole."""
    capture = convert(journal, progress=progress)
    journal.unlink()
    return capture


def convert(
    journal: Path,
    out: Path | None = None,
    *,
    stand: Stand | None = None,
    setup: str | None = None,
    progress: Progress | None = None,
) -> Path:
    """Make a capture of a journal or of a plain log of a board's lines.

    A log without our remarks needs `stand`. The capture gets the journal's name unless
    `out` says otherwise, and never replaces a file. Raises InputFileError, SettingsError,
    DiskError; the journal is left as it is in every case.
    """
    wanted = out or journal.with_suffix(".parquet")
    maker = _Maker(journal, stand, setup, progress or (lambda _: None))
    sweep(wanted)
    kept = f"The journal is kept: {journal}"
    return write_new(wanted, maker.write, maker.check, to_do=f"Make room on the disk. {kept}")


def recalibrate(capture: Path, stand: Stand, out: Path | None = None) -> Path:
    """Work the physical columns of `capture` out anew from its raw counts."""
    meta = read_meta(capture)
    hello, channels = _introduction(meta, capture)
    sampler = Sampler(stand, hello, channels)
    wanted = out or capture.with_name(f"{capture.stem}_recalibrated.parquet")
    new_meta = replace(meta, stand=stand_to_dict(stand))

    def write(file: BinaryIO) -> None:
        with pq.ParquetFile(capture) as old, _Writer(file, sampler, channels) as writer:
            for batch in old.iter_batches(ROWS_AT_ONCE):
                columns = {name: batch.column(name) for name in batch.schema.names}
                writer.write(*_raw(columns, channels), columns["phase"])
            writer.finish(new_meta)

    def check(partial: Path) -> None:
        _check_rows(partial, meta.rows)

    return write_new(wanted, write, check)


class _Maker:
    """One conversion; knows after `write` how many rows there must be."""

    def __init__(
        self, journal: Path, stand: Stand | None, setup: str | None, progress: Progress
    ) -> None:
        self._reader = JournalReader(journal)
        self._journal, self._stand, self._setup = journal, stand, setup
        self._progress = progress
        self._rows = 0

    def write(self, file: BinaryIO) -> None:
        story, unwrapper = self._reader.story, Unwrapper()
        writer: _Writer | None = None
        last_s = 0.0
        for phases, fields in self._gathered():
            if writer is None:
                assert story.hello is not None
                sampler = Sampler(self._find_stand(story), story.hello, story.channels)
                writer = _Writer(file, sampler, story.channels)
            unwrapped = unwrapper.feed(fields)
            if len(unwrapped.kept):
                kept = unwrapped.kept
                last_s = writer.write(fields[kept], unwrapped.counters, phases.take(pa.array(kept)))
                self._rows += len(kept)
            if unwrapper.restarted:
                story.restarted = True
                break
        if writer is None:
            raise self._nothing(story)
        writer.finish(self._meta(story, unwrapper, last_s))

    def check(self, partial: Path) -> None:
        _check_rows(partial, self._rows)

    def _gathered(self) -> Iterator[tuple[pa.DictionaryArray, Ints]]:
        """The journal's blocks, brought to the size of a row group."""
        total = max(self._journal.stat().st_size, 1) if self._journal.exists() else 1
        words: list[str] = []
        codes: list[NDArray[np.int8]] = []
        parts: list[Ints] = []
        rows = done = 0
        for phase, fields in self._reader.blocks():
            if phase not in words:
                words.append(phase)
            codes.append(np.full(len(fields), words.index(phase), dtype=np.int8))
            parts.append(fields)
            rows += len(fields)
            if rows >= ROWS_AT_ONCE:
                yield _phases(codes, words), np.concatenate(parts)
                done += rows
                self._progress(min(done * 66 / total, 1.0))
                codes, parts, rows = [], [], 0
        if rows:
            yield _phases(codes, words), np.concatenate(parts)
        self._progress(1.0)

    def _find_stand(self, story: Story) -> Stand:
        if self._stand is not None:
            return self._stand
        raw = story.begin.get("stand")
        if not isinstance(raw, dict):
            raise InputFileError(
                "a log without the stand it came from",
                where=str(self._journal),
                to_do="Name the stand's settings with --stand.",
            )
        return stand_from_dict(raw, f"{self._journal}, begin")

    def _nothing(self, story: Story) -> RigError:
        if story.decoder.counts.good == 0:
            what = "it holds no line of a board"
        elif not story.channels:
            what = "the board's hello and channel lines are not in it"
        else:
            what = "it holds no data line"
        return InputFileError(
            f"no capture can be made: {what}", where=str(self._journal), to_do="Nothing was lost."
        )

    def _meta(self, story: Story, unwrapper: Unwrapper, last_s: float) -> Meta:
        begin, end, counts = story.begin, story.end or {}, story.decoder.counts
        statistics = {
            "good": counts.good,
            "unknown": counts.unknown,
            "before_first": counts.before_first,
            "rejected": {fault.value: number for fault, number in counts.rejected.items()},
            "lost": unwrapper.lost,
            "repeated": unwrapper.repeated,
            "late": unwrapper.late,
            "misfits": story.misfits,
            "before_introduction": story.before_introduction,
            "restarted": story.restarted,
            "cut_line": story.cut_line,
            "recorder": end.get("statistics"),
        }
        outcome = "cut off" if begin else "imported"
        stand = stand_to_dict(self._find_stand(story))
        assert story.hello is not None
        return Meta(
            setup=self._setup or str(begin.get("setup", self._journal.stem)),
            run=_whole(begin.get("run")),
            campaign=str(begin.get("campaign", "")),
            notes=str(begin.get("notes", "")),
            utc=str(begin.get("utc", "")),
            outcome=str(end.get("outcome", outcome)),
            exit_code=end.get("exit_code"),
            cause=str(end.get("cause", "")),
            rows=self._rows,
            seconds=last_s,
            stand=stand,
            plan=_table(begin.get("plan")),
            port=str(begin.get("port", "")),
            host=_table(begin.get("host")),
            hello=story.hello.body(),
            channels=[channel.body() for channel in story.channels],
            alarms=story.alarms,
            marks=story.marks,
            states=story.states,
            told=story.told,
            statistics=statistics,
        )


class _Writer:
    """The Parquet file: its schema, and rows in physical units beside their counts."""

    def __init__(self, file: BinaryIO, sampler: Sampler, channels: list[Channel]) -> None:
        self._sampler = sampler
        self._counts = count_columns(channel.label for channel in channels)
        physical = [_field(name, pa.float32()) for name in sampler.columns]
        self._schema = pa.schema(
            [
                _field("time_s", pa.float64()),
                *physical,
                pa.field("valid", pa.bool_()),
                pa.field("phase", pa.dictionary(pa.int8(), pa.string())),
                pa.field("status", pa.uint16()),
                *[pa.field(name, pa.int32()) for name in self._counts],
                *[pa.field(name, pa.int64()) for name in _COUNTERS],
            ]
        )
        plain = ("time_s", *_COUNTERS)
        dictionary = [name for name in self._schema.names if name not in (*plain, "valid")]
        self._writer = pq.ParquetWriter(
            file,
            self._schema,
            compression="zstd",
            use_dictionary=dictionary,
            column_encoding={
                "time_s": "BYTE_STREAM_SPLIT",
                **dict.fromkeys(_COUNTERS, "DELTA_BINARY_PACKED"),
            },
        )

    def write(self, fields: Ints, counters: Ints, phases: Any) -> float:
        """Add rows; the time of the last one in seconds."""
        sequence, tick, edges, edge_tick = counters.T
        columns: dict[str, Any] = dict(self._sampler.columns_of(fields, tick, edges, edge_tick))
        last_s = float(columns["time_s"][-1])
        columns |= {"phase": phases, "status": fields[:, FIXED_DATA_FIELDS - 1]}
        columns |= {
            name: fields[:, FIXED_DATA_FIELDS + index] for index, name in enumerate(self._counts)
        }
        columns |= dict(zip(_COUNTERS, (sequence, tick, edges, edge_tick), strict=True))
        arrays = [_array(columns[field.name], field.type) for field in self._schema]
        self._writer.write_batch(pa.RecordBatch.from_arrays(arrays, schema=self._schema))
        return last_s

    def finish(self, meta: Meta) -> None:
        """Put the description in and close the file."""
        self._writer.add_key_value_metadata({META_KEY: json.dumps(meta.as_dict()).encode()})
        self._writer.close()

    def __enter__(self) -> _Writer:
        return self

    def __exit__(self, *_: object) -> None:
        self._writer.close()


_COUNTERS = ("sequence", "tick", "edges", "edge_tick")


def _field(name: str, kind: Any) -> Any:
    return pa.field(name, kind, metadata={b"unit": unit_of(name).encode()})


def _array(values: Any, kind: Any) -> Any:
    """As Arrow; a reading that is not known is null, for readers that do not take NaN so."""
    if isinstance(values, pa.Array):
        return values.cast(kind)
    # float32 resolves 6e-8 of a reading, far below any converter step; time keeps float64.
    return pa.array(values, from_pandas=True).cast(kind, safe=not pa.types.is_float32(kind))


def _phases(codes: list[NDArray[np.int8]], words: list[str]) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(np.concatenate(codes)), pa.array(words))


def _raw(columns: dict[str, Any], channels: list[Channel]) -> tuple[Ints, Ints]:
    """Fields as in the board's lines (counters unwrapped), and the counters."""
    names = [*_COUNTERS, "status", *count_columns(channel.label for channel in channels)]
    table = np.column_stack([columns[name].to_numpy().astype(np.int64) for name in names])
    return table, table[:, :4]


def _introduction(meta: Meta, where: Path) -> tuple[Hello, list[Channel]]:
    try:
        hello = Hello.parse(meta.hello.split(",")[1:])
        channels = [Channel.parse(body.split(",")[1:]) for body in meta.channels]
    except (ValueError, IndexError, AttributeError, TypeError) as error:
        raise InputFileError("its description of the board is damaged", where=str(where)) from error
    return hello, channels


def _check_rows(partial: Path, expected: int) -> None:
    """Read the file back: a capture that cannot be read must not replace its journal."""
    rows = 0
    with pq.ParquetFile(partial) as file:
        for batch in file.iter_batches(ROWS_AT_ONCE, columns=["time_s", "sequence"]):
            rows += batch.num_rows
    if rows != expected:
        raise DiskError(
            f"the file read back has {rows} rows in place of {expected}", where=str(partial)
        )


def _whole(value: Any) -> int:
    return value if isinstance(value, int) else 0


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}
