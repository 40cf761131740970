"""Runs made from the lines of a frozen capture: the whole, parts, and others much like it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.captures.capture import load
from rig.captures.convert import convert
from rig.captures.names import count_columns
from rig.protocol.framing import frame
from rig.protocol.records import Channel, Data
from rig.stand.settings import demo_stand
from tests.captures import journals

FROZEN = Path(__file__).parent / "frozen"
EARLY, LATE, TRIP = sorted(FROZEN.glob("*.parquet"))


def rows_of(capture: Path) -> NDArray[np.int64]:
    """The raw rows, shape (rows, 5 + channels)."""
    held = load(capture)
    labels = [Channel.parse(body.split(",")[1:]).label for body in held.meta.channels]
    names = ["sequence", "tick", "edges", "edge_tick", "status", *count_columns(labels)]
    rows: NDArray[np.int64] = held.frame[names].to_numpy(dtype=np.int64)
    return rows


def log(path: Path, rows: NDArray[np.int64], boot: int = 1, abilities: str = "LSTZ") -> Path:
    """A terminal's log of `rows`: hello, channels, data lines."""
    meta = load(EARLY).meta
    hello = meta.hello.split(",")
    hello[4], hello[7] = str(boot), abilities
    lines = [frame(body) for body in (",".join(hello), *meta.channels)]
    for row in (rows % [2**16, 2**32, 2**16, 2**32, *[2**31] * (rows.shape[1] - 4)]).tolist():
        lines.append(frame(Data(*row[:5], tuple(row[5:])).body()))
    return journals.written(path, lines)


def imported(
    path: Path,
    rows: NDArray[np.int64],
    setup: str = "early",
    boot: int = 1,
    abilities: str = "LSTZ",
) -> Path:
    """The capture of a terminal's log."""
    source = log(path.with_suffix(".log"), rows, boot, abilities)
    made = convert(source, path, stand=demo_stand(), setup=setup)
    source.unlink()
    return made


def others(rows: NDArray[np.int64], count: int, seed: int) -> Sequence[NDArray[np.int64]]:
    """Runs like `rows` after resets: same ticks and edges, other noise of some counts."""
    noise = np.random.default_rng(seed)
    made = []
    for _ in range(count):
        other = rows.copy()
        other[:, 5:] += noise.integers(-8, 9, other[:, 5:].shape)
        made.append(np.maximum(other, 0))
    return made
