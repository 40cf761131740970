"""Journals and logs made by hand, line by line, for the tests of this room."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rig.protocol.framing import frame
from rig.protocol.records import Channel, Data, Hello, Remark, Status
from rig.stand.settings import demo_stand, stand_to_dict

STAND = demo_stand()
_STAND = stand_to_dict(STAND)
TICK_HZ = 1_000_000
LINE_HZ = 100
LABELS = ("shunt", "pack", "motor", "controller", "cells")
COUNTS = (1200, 8000, 7400, 7600, 7800)
TICKS_PER_LINE = TICK_HZ // LINE_HZ


def hello(boot: int = 7, channels: int = len(LABELS), abilities: str = "STL") -> bytes:
    letters = frozenset(abilities)
    return frame(Hello(1, "bench", "1.0", boot, TICK_HZ, LINE_HZ, letters, channels).body())


def introduction(boot: int = 7, labels: tuple[str, ...] = LABELS, abilities: str = "STL") -> bytes:
    channels = [
        frame(Channel(index, "x", label, 1024, 16, frozenset(), 0).body())
        for index, label in enumerate(labels)
    ]
    return hello(boot, len(labels), abilities) + b"".join(channels)


def data(row: int, status: int = Status.ARMED, channels: int = len(COUNTS)) -> bytes:
    """Line `row` of a boot whose counters begin just below their wraps."""
    wobble = round(40 * math.sin(row / 17))
    tick = 2**32 - 500_000 + row * TICKS_PER_LINE
    edges, edge_tick = 65_500 + row * 3, tick - 700 - row % 5
    counts = tuple(count + wobble for count in (COUNTS * 4)[:channels])
    line = Data(
        (65_000 + row) % 2**16, tick % 2**32, edges % 2**16, edge_tick % 2**32, status, counts
    )
    return frame(line.body())


def remark(kind: str, host_s: float, content: dict[str, Any]) -> bytes:
    return frame(Remark(kind, host_s, content).body())


def begin(**more: Any) -> bytes:
    content = {
        "schema": 1,
        "utc": "2031-05-04T09:00:00.000+00:00",
        "setup": "early",
        "run": 3,
        "campaign": "marram",
        "notes": "pusher propeller, 20 degrees of timing",
        "stand": _STAND,
        "host": {"rig": "0.1.0"},
        "port": "/dev/ttyACM0",
        "plan": {"seconds": 5.0, "throttle": [[40.0, 5.0]]},
    }
    return remark("begin", 0.0, content | more)


def state(word: str, host_s: float) -> bytes:
    return remark("state", host_s, {"state": word, "cause": "as planned"})


def told(line: str, host_s: float) -> bytes:
    return remark("told", host_s, {"line": line})


def end(**more: Any) -> bytes:
    content = {"outcome": "done", "exit_code": 0, "cause": "the run is complete"}
    return remark("end", 99.0, content | {"statistics": {"good": 1}} | more)


def whole_run(rows: int = 300) -> list[bytes]:
    """A run of three equal parts, ready, running and coasting, as the recorder leaves it."""
    third = rows // 3
    throttle = frame("throttle,4,400").decode().strip()
    lines: Iterator[bytes] = map(data, range(3 * third))
    return [
        begin(),
        introduction(),
        state("ready", 0.5),
        *(next(lines) for _ in range(third)),
        state("running", 3.0),
        told(throttle, 3.0),
        *(next(lines) for _ in range(third)),
        told("stop", 6.0),
        state("coasting", 6.1),
        remark("mark", 6.2, {"text": "quiet"}),
        *(next(lines) for _ in range(third)),
        end(),
    ]


def written(path: Path, lines: list[bytes]) -> Path:
    path.write_bytes(b"".join(lines))
    return path
