"""Bytes in, records out: the host's ear.

`Decoder` takes bytes as they come from anywhere, in pieces of any size, and gives one
record per line. It holds no port, no clock and no file. There is no error state: a line
that cannot be used becomes a `Rejected` record, is counted, and the next line feed starts
afresh. It never holds more than one line of bytes.

`decode_bulk` gives the same records for large inputs (a journal, a log), with runs of good
data lines gathered into arrays. It is an accelerator, not a second definition: every line
it is not sure about goes through `Decoder`, and a property test holds the two equal.
"""

from __future__ import annotations

import re
import warnings
from binascii import crc_hqx
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from rig.protocol.framing import (
    CHECKSUM_LENGTH,
    HEX_DIGITS,
    LONGEST_LINE,
    LONGEST_REMARK,
    Fault,
    checksum,
    unframe,
)
from rig.protocol.records import (
    COUNT_LIMIT,
    EDGE_BITS,
    FIXED_DATA_FIELDS,
    MOST_CHANNELS,
    SEQUENCE_BITS,
    STATUS_LIMIT,
    TICK_BITS,
    Answer,
    Channel,
    Cut,
    Data,
    Hello,
    Record,
    Rejected,
    Remark,
    Unknown,
)

_PARSERS: dict[str, Callable[[Sequence[str]], Record]] = {
    "D": Data.parse,
    "A": Answer.parse,
    "H": Hello.parse,
    "C": Channel.parse,
    "X": Cut.parse,
}


@dataclass(slots=True)
class LineCounts:
    """What became of the lines so far."""

    good: int = 0
    unknown: int = 0
    before_first: int = 0
    """Unusable lines before the first good one: opening a port in mid-line is no fault."""
    rejected: Counter[Fault] = field(default_factory=Counter)


class Decoder:
    """Turns the board's bytes into records.

    With `remarks=True` it reads a journal, where the host's own lines stand between the
    board's; on the wire such a line is rejected, so that no board can speak for the host.
    """

    def __init__(self, *, remarks: bool = False) -> None:
        self.counts = LineCounts()
        self._remarks = remarks
        self._longest = LONGEST_REMARK if remarks else LONGEST_LINE
        self._tail = b""

    @property
    def pending(self) -> bytes:
        """The bytes of the line that has not ended yet."""
        return self._tail

    def feed(self, data: bytes) -> list[Record]:
        """The records that `data` completes, in order. Never raises for any bytes."""
        return [self.decode(line) for line in self.complete(data).split(b"\n")[:-1]]

    def complete(self, data: bytes) -> bytes:
        """The lines that `data` completes, endings included; the rest is kept for later."""
        lines, newline, tail = (self._tail + data).rpartition(b"\n")
        # Of a line already too long only so much is kept as proves it so when it ends.
        self._tail = tail[: self._longest + 2]
        return lines + newline

    def decode(self, line: bytes) -> Record:
        """The record of one line, given without its line feed."""
        record = self._decode(line.removesuffix(b"\r"))
        if isinstance(record, Data):
            self.counts.good += 1
        elif isinstance(record, Rejected):
            if self.counts.good:
                self.counts.rejected[record.fault] += 1
            else:
                self.counts.before_first += 1
        elif isinstance(record, Unknown):
            self.counts.unknown += 1
        elif not isinstance(record, Remark):
            self.counts.good += 1
        return record

    def _decode(self, line: bytes) -> Record:
        if line[:2] == b"D," and (data := _good_data(line)):
            return data
        is_remark = self._remarks and line[:1] == b"!"
        body = unframe(line, LONGEST_REMARK if is_remark else LONGEST_LINE)
        if isinstance(body, Fault):
            return Rejected(body, line[:LONGEST_LINE])
        content = body.decode("ascii")
        if content[:1] == "!" and not is_remark:
            return Rejected(Fault.DIRECTION, line[:LONGEST_LINE])
        try:
            if is_remark:
                return Remark.parse(content[1:])
            letter, *fields = content.split(",")
            parse = _PARSERS.get(letter)
            return Unknown(content) if parse is None else parse(fields)
        except (ValueError, IndexError, RecursionError):
            return Rejected(Fault.FIELDS, line[:LONGEST_LINE])


def _good_data(line: bytes) -> Data | None:
    """The record of a good data line in one quick look: nearly every line of a live run.

    None means only that the long way must look, and say what is wrong.
    """
    checked, told = line[:-CHECKSUM_LENGTH], line[-CHECKSUM_LENGTH:]
    # Once nothing but these is left, `int` takes what the document allows and no more.
    if (
        len(line) > LONGEST_LINE
        or checked.translate(None, b"D,-0123456789")
        or told[:1] != b"*"
        or told[1:].strip(HEX_DIGITS)
        or int(told[1:], 16) != checksum(checked)
    ):
        return None
    try:
        return Data.of(checked[2:].split(b","))
    except ValueError:
        return None


@dataclass(frozen=True, slots=True)
class DataBlock:
    """Consecutive good data lines as one array.

    `fields` has shape (lines, 5 + channels), dtype int64: sequence, tick, edges, edge tick,
    status, then the counts, all as they stood in the lines.
    """

    fields: NDArray[np.int64]

    def records(self) -> list[Data]:
        """The same lines as single records."""
        rows = self.fields.tolist()
        return [
            Data(sequence, tick, edges, edge_tick, status, tuple(counts))
            for sequence, tick, edges, edge_tick, status, *counts in rows
        ]


def decode_bulk(chunks: Iterable[bytes], decoder: Decoder) -> Iterator[DataBlock | Record]:
    """The records of `chunks` in order, good data lines gathered into `DataBlock`s.

    A last line without its line feed stays in `decoder.pending`.
    """
    for chunk in chunks:
        lines = decoder.complete(chunk)
        start = 0
        while start < len(lines):
            if lines.startswith(b"D,", start):
                other = _OTHER_LINE.search(lines, start)
                end = other.start() + 1 if other else len(lines)
                yield from _decode_run(lines[start:end], decoder)
            else:
                end = lines.index(b"\n", start) + 1
                yield decoder.decode(lines[start : end - 1])
            start = end


def _decode_run(lines: bytes, decoder: Decoder) -> Iterator[DataBlock | Record]:
    """Lines that all claim to be data. Bad ones among them are cornered by halving."""
    fields = _data_fields(lines)
    if fields is not None:
        decoder.counts.good += len(fields)
        yield DataBlock(fields)
    elif len(lines) < _SHORT_RUN:
        for line in lines.split(b"\n")[:-1]:
            yield decoder.decode(line)
    else:
        # In halves, or where the last line is more than half, before that line.
        middle = lines.find(b"\n", len(lines) // 2, -1) + 1 or lines.rfind(b"\n", 0, -1) + 1
        if not middle:
            yield decoder.decode(lines[:-1])
            return
        yield from _decode_run(lines[:middle], decoder)
        yield from _decode_run(lines[middle:], decoder)


_OTHER_LINE = re.compile(rb"\n(?!D,|\Z)")
_SHORT_RUN = 2048
"""Bytes below which decoding line by line costs no more than trying all at once."""

_HEX_VALUE = np.full(256, -1, dtype=np.int64)
_HEX_VALUE[list(b"0123456789")] = range(10)
_HEX_VALUE[list(b"ABCDEF")] = _HEX_VALUE[list(b"abcdef")] = range(10, 16)

_LOWEST = np.array([0, 0, 0, 0, 0] + [-COUNT_LIMIT] * MOST_CHANNELS)
_HIGHEST = (
    np.array(
        [2**SEQUENCE_BITS, 2**TICK_BITS, 2**EDGE_BITS, 2**TICK_BITS, STATUS_LIMIT]
        + [COUNT_LIMIT] * MOST_CHANNELS
    )
    - 1
)


@cache
def _crc_shares() -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """What a byte adds to a checksum, by distance from the line feed, shape (121, 256), and
    what the initial value adds, by length of line, shape (121,).

    Line feed and checksum lie at distances 0 to 5 and add nothing.
    """
    behind = CHECKSUM_LENGTH + 1
    shares = np.zeros((LONGEST_LINE + 1, 256), dtype=np.uint16)
    initial = np.zeros(LONGEST_LINE + 1, dtype=np.uint16)
    for distance in range(behind, LONGEST_LINE + 1):
        zeros = bytes(distance - behind)
        shares[distance] = [crc_hqx(bytes([byte]) + zeros, 0) for byte in range(256)]
        initial[distance] = checksum(zeros + b"\0")
    return shares, initial


def _data_fields(lines: bytes) -> NDArray[np.int64] | None:
    """The fields of `lines`, shape (lines, fields), if every one is a good data line.

    None means only that this quick look is not sure, and `Decoder` must look again.
    """
    if b"\r" in lines:
        lines = lines.replace(b"\r\n", b"\n")
    codes = np.frombuffer(lines, dtype=np.uint8)
    ends = np.flatnonzero(codes == ord("\n"))
    starts = np.concatenate(([0], ends[:-1] + 1))
    stars = ends - CHECKSUM_LENGTH
    if (stars < starts + 2).any() or (ends - starts > LONGEST_LINE).any():
        return None

    digits = _HEX_VALUE[codes[stars[:, None] + np.arange(1, CHECKSUM_LENGTH)]]
    if (digits < 0).any() or (codes[stars] != ord("*")).any():
        return None
    told = digits @ np.array([4096, 256, 16, 1])
    if (_checksums(codes, starts, ends) != told).any():
        return None

    # As many commas in every line, the first right behind its D.
    commas = np.flatnonzero(codes == ord(","))
    width, rest = divmod(len(commas), len(ends))
    if (
        rest
        or not FIXED_DATA_FIELDS <= width <= FIXED_DATA_FIELDS + MOST_CHANNELS
        or (commas[::width] != starts + 1).any()
    ):
        return None

    # What is left of a line without its D and its checksum may hold no blank of its own.
    if b" " in lines:
        return None
    blanked = codes.copy()
    blanked[starts] = ord(" ")
    for behind in range(CHECKSUM_LENGTH + 1):
        blanked[stars + behind] = ord(" ")
    numbers = blanked[2:].tobytes()  # nothing stands before the first comma
    if (
        numbers.translate(None, b"0123456789,- ")
        or (np.diff(commas) == 1).any()
        or (commas[width - 1 :: width] == stars - 1).any()
        or ((signed := b"-" in numbers) and not _minus_signs_lead(numbers))
    ):
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            values = np.fromstring(numbers, dtype=np.int64, sep=",")
        except (DeprecationWarning, ValueError):
            return None
    if values.size != len(ends) * width:
        return None
    fields = values.reshape(-1, width)
    too_low = signed and (fields.min(axis=0) < _LOWEST[:width]).any()
    too_high = (fields.max(axis=0) > _HIGHEST[:width]).any()
    return None if too_low or too_high else fields


def _checksums(
    codes: NDArray[np.uint8], starts: NDArray[np.intp], ends: NDArray[np.intp]
) -> NDArray[np.uint16]:
    """`framing.checksum` of the body of each line, from `starts` to the line feed at `ends`.

    A CRC is linear: each byte adds, by exclusive or, what it alone would give at its distance
    from the end, and the initial value what it would give before so many zeros.
    """
    shares, initial = _crc_shares()
    lengths = ends - starts
    # Where in `shares` each byte's row begins: 256 times its distance from the line feed.
    index = np.repeat(256 * ends, lengths + 1)
    index -= np.arange(0, 256 * len(codes), 256)
    index += codes
    by_byte = shares.ravel().take(index, mode="clip")  # none is out of range; saves the check
    sums: NDArray[np.uint16] = np.bitwise_xor.reduceat(by_byte, starts) ^ initial[lengths]
    return sums


def _minus_signs_lead(numbers: bytes) -> bool:
    """Whether each minus stands between a comma and a digit."""
    return numbers.count(b",-") == numbers.count(b"-") and not re.search(rb"-(?![0-9])", numbers)
