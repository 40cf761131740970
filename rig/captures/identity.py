"""Which run a capture holds, from what the board sent and nothing else.

A copy, a recalibrated capture, a journal salvaged twice and a terminal log that began later
hold the same run, and a run counts once. Setup, notes, calibration and file name play no part.

Two captures hold the same run when
- their digests agree: hello, channels, the recorder's begin time and all raw columns; or
- their hellos agree, boot number included, their begin times do not contradict each other,
  and where they overlap at least SHARE of their rows are the same, LEAST_SHARED or more of
  those in the sketch.

A boot number proves nothing alone: cheap firmware sends the same one always, and then ticks and
sequence begin anew in each run. So a row goes into the sketch only if its counts or edges differ
from those of the row before: a quiet input that repeats itself after every reset proves nothing.

How likely two different runs are taken for one:
- Two captures that `rig run` recorded, never: the recorder's begin times differ by milliseconds.
- By digest (128 bits), 1e-32 for 1,000 captures, unless the board sent exactly the same lines.
- By rows, only where one is a log without a begin time, and of the same boot number. The worst
  case: both resets give the same ticks and sequence, no edges, and one converter that flickers
  between two values. Then a row of one sketch is in the other with probability 1/4; that 32 of
  at most 42 are (the shortest overlap that is accepted) has 5e-12, and less the longer it is.
  Each further bit of noise halves the 1/4, and any load ends it. Two unequal rows with the same
  64-bit hash: 6e-14 for a pair of sketches, and 32 of them are needed.
Two logs without a begin time whose boot number and lines are all the same, to the last count,
are one run: nothing in them could tell them apart.

The same run is missed where one part has fewer than LEAST_SHARED rows that differ, or less than
about 1/20 of the other's, or where each lost more than about a tenth of its lines.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.captures.capture import Meta, batches, read_meta, read_metadata, read_schema
from rig.captures.names import count_columns
from rig.protocol.records import EDGE_BITS, SEQUENCE_BITS, TICK_BITS, Channel

Ints = NDArray[np.int64]
Hashes = NDArray[np.uint64]

SKETCH_KEY = b"rig_rows"
SKETCH_ROWS = 1024
"""So many rows, those with the smallest hashes, stand for all of a run: 11 kB as text."""

NEIGHBOURS = 8
"""Of captures that share a row, each is compared with so many after it: enough for a chain."""

LEAST_SHARED = 32
SHARE = 0.75

COUNTERS = ("sequence", "tick", "edges", "edge_tick")
_EDGES = COUNTERS.index("edges")
_MASKS = [2**SEQUENCE_BITS - 1, 2**TICK_BITS - 1, 2**EDGE_BITS - 1, 2**TICK_BITS - 1]
_DIGEST_BYTES = 16
_LARGEST = np.uint64(2**64 - 1)


@dataclass(frozen=True, slots=True)
class Identity:
    """What a run is recognised by; fit for JSON with `dataclasses.asdict`.

    `digest` is the same for exact copies. `began` is the recorder's begin time, empty for a
    terminal log. `sketch` holds hashes of rows in the order of the rows, as base64 of 64-bit
    little-endian integers.
    """

    digest: str
    hello: str
    began: str
    sketch: str

    def hashes(self) -> Hashes:
        """The sketch, shape (at most SKETCH_ROWS,)."""
        return np.frombuffer(base64.b64decode(self.sketch), dtype="<u8").astype(np.uint64)


class Fingerprint:
    """Takes the rows of a run as they come; memory does not grow with them."""

    def __init__(self) -> None:
        self._digest = hashlib.blake2b(digest_size=_DIGEST_BYTES)
        self._before: Ints | None = None
        self._hashes = np.empty(0, np.uint64)

    def add(self, counters: Ints, rest: Ints) -> None:
        """Take in rows: `counters` of shape (rows, 4), `rest` (rows, 1 + channels).

        Counters as in COUNTERS, unwrapped or not; then the status bits and the counts.
        """
        if not len(counters):
            return
        rows = np.ascontiguousarray(np.column_stack([counters & _MASKS, rest]), dtype="<i8")
        self._digest.update(rows.data)
        first = rows[:1] if self._before is None else self._before
        steps = np.diff(rows, axis=0, prepend=first) != 0
        changed = steps[:, _EDGES] | steps[:, len(COUNTERS) + 1 :].any(axis=1)
        self._before = rows[-1:].copy()
        self._hashes = _smallest(np.concatenate([self._hashes, _hashed(rows[changed])]))

    def identity(self, meta: Meta) -> Identity:
        """Of all rows so far, in a run of which `meta` is known."""
        board = json.dumps([meta.hello, meta.channels, meta.utc])
        digest = hashlib.blake2b(board.encode(), digest_size=_DIGEST_BYTES)
        digest.update(self._digest.digest())
        sketch = base64.b64encode(self._hashes.astype("<u8").tobytes()).decode()
        return Identity(digest.hexdigest(), meta.hello, meta.utc, sketch)


def identity_of(path: Path, meta: Meta | None = None) -> Identity | None:
    """The identity of a capture; worked out from its raw columns where it is not written in it.

    None for a table without raw columns. Raises InputFileError.
    """
    meta = meta or read_meta(path)
    sketch = read_metadata(path).get(SKETCH_KEY)
    if meta.identity and sketch is not None and _is_sketch(sketch):
        return Identity(meta.identity, meta.hello, meta.utc, sketch.decode("ascii"))
    try:
        labels = [Channel.parse(body.split(",")[1:]).label for body in meta.channels]
    except (ValueError, IndexError):
        return None
    names = [*COUNTERS, "status", *count_columns(labels)]
    if not labels or not set(names) <= set(read_schema(path).names):
        return None
    fingerprint = Fingerprint()
    for batch in batches(path, names):
        rows = np.column_stack([_whole(batch[name]) for name in names])
        fingerprint.add(rows[:, : len(COUNTERS)], rows[:, len(COUNTERS) :])
    return fingerprint.identity(meta)


def grouped(identities: Sequence[Identity | None]) -> list[list[int]]:
    """The places in `identities` of each run's captures, in their order.

    Parts that do not overlap belong together where a third one overlaps both.
    """
    leader = list(range(len(identities)))

    def lead(place: int) -> int:
        while leader[place] != place:
            place = leader[place]
        return place

    firsts: dict[str, int] = {}
    boots: dict[str, list[int]] = {}
    for place, identity in enumerate(identities):
        if identity is None:
            continue
        first = firsts.setdefault(identity.digest, place)
        leader[place] = first
        if first == place:
            boots.setdefault(identity.hello, []).append(place)
    for places in boots.values():
        hashes = _hashes_by_place(identities, places)
        for one, other in _candidates(hashes):
            a, b = identities[one], identities[other]
            if a is None or b is None or lead(one) == lead(other) or not _may_be_same(a, b):
                continue
            if _overlap(hashes[one], hashes[other]):
                late, early = sorted((lead(one), lead(other)), reverse=True)
                leader[late] = early
    groups: dict[int, list[int]] = {}
    for place in range(len(identities)):
        groups.setdefault(lead(place), []).append(place)
    return list(groups.values())


def _may_be_same(one: Identity, other: Identity) -> bool:
    began = {one.began, other.began} - {""}
    return one.hello == other.hello != "" and len(began) < 2


def _overlap(one: Hashes, other: Hashes) -> bool:
    """Whether two sketches share enough of what lies in both of their spans of rows."""
    limit = min(_complete_to(one), _complete_to(other))
    one, other = one[one <= limit], other[other <= limit]
    shared, in_one, in_other = np.intersect1d(one, other, return_indices=True)
    if len(shared) < LEAST_SHARED:
        return False
    before = min(in_one.min(), in_other.min())
    after = min(len(one) - in_one.max(), len(other) - in_other.max()) - 1
    between = max(np.ptp(in_one), np.ptp(in_other)) + 1
    return bool(len(shared) >= SHARE * (before + between + after))


def _complete_to(hashes: Hashes) -> np.uint64:
    """Up to this hash a sketch has every row that there is."""
    return np.uint64(hashes.max()) if len(hashes) >= SKETCH_ROWS else _LARGEST


def _hashes_by_place(
    identities: Sequence[Identity | None], places: Sequence[int]
) -> dict[int, Hashes]:
    if len(places) < 2:
        return {}
    known = ((place, identities[place]) for place in places)
    return {place: identity.hashes() for place, identity in known if identity is not None}


def _candidates(hashes: dict[int, Hashes]) -> list[tuple[int, int]]:
    """Pairs that `_overlap` may accept, found without a look at every pair.

    A coarse form of its rule, for all pairs together: the share is taken in the sketch that
    stands for more rows, and half of SHARE is enough.
    """
    if len(hashes) < 2:
        return []
    places = np.fromiter(hashes, np.int64, len(hashes))
    sizes = np.array([len(found) for found in hashes.values()])
    limits = np.array([_complete_to(found) for found in hashes.values()])
    everything = np.concatenate(list(hashes.values()))
    order = np.argsort(everything, kind="stable")
    everything = everything[order]
    owner = np.repeat(np.arange(len(places)), sizes)[order]
    row = np.concatenate([np.arange(size) for size in sizes])[order]
    found = []
    for shift in range(1, NEIGHBOURS + 1):
        (equal,) = np.nonzero(everything[shift:] == everything[:-shift])
        if not len(equal):
            break
        both = owner[equal], owner[equal + shift], row[equal], row[equal + shift]
        found.append(np.column_stack(both).astype(np.int32))
    if not found:
        return []
    table = np.concatenate(found)
    code = table[:, 0] * np.int64(len(places)) + table[:, 1]
    table = table[np.argsort(code, kind="stable")]
    code.sort()
    starts = np.flatnonzero(np.diff(code, prepend=-1))
    shared = np.diff(starts, append=len(code))
    first, last = (edge.reduceat(table, starts, axis=0) for edge in (np.minimum, np.maximum))
    one, other = first[:, 0], first[:, 1]
    before = np.minimum(first[:, 2], first[:, 3])
    after = np.minimum(sizes[one] - last[:, 2], sizes[other] - last[:, 3]) - 1
    spans = last[:, 2:] - first[:, 2:] + 1
    between = np.where(limits[one] <= limits[other], spans[:, 0], spans[:, 1])
    likely = (shared >= LEAST_SHARED) & (shared >= SHARE / 2 * (before + between + after))
    return [
        (int(places[a]), int(places[b])) for a, b in zip(one[likely], other[likely], strict=True)
    ]


def _hashed(rows: Ints) -> Hashes:
    """A 64-bit hash per row: a sum with odd weights, then the finaliser of SplitMix64.

    Finaliser: G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number
    generators", OOPSLA 2014, as published with java.util.SplittableRandom (from memory). The
    weights are its first numbers from seed 0, made odd.
    """
    width = rows.shape[1]
    step = np.uint64(0x9E3779B97F4A7C15)
    weights = _mixed(np.arange(1, width + 1, dtype=np.uint64) * step) | np.uint64(1)
    total = np.zeros(len(rows), np.uint64)
    for column in range(width):
        total += rows[:, column].astype(np.uint64) * weights[column]
    return _mixed(total)


def _mixed(values: Hashes) -> Hashes:
    values = (values ^ (values >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    values = (values ^ (values >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return values ^ (values >> np.uint64(31))


def _smallest(hashes: Hashes) -> Hashes:
    """The SKETCH_ROWS smallest, their order kept."""
    if len(hashes) <= SKETCH_ROWS:
        return hashes
    return hashes[np.sort(np.argpartition(hashes, SKETCH_ROWS)[:SKETCH_ROWS])]


def _whole(column: Any) -> Ints:
    numbers: Ints = column.fill_null(0).to_numpy(zero_copy_only=False).astype(np.int64)
    return numbers


def _is_sketch(text: bytes) -> bool:
    try:
        content = base64.b64decode(text, validate=True)
    except ValueError:
        return False
    return len(content) % 8 == 0 and len(content) <= 8 * SKETCH_ROWS
