"""Plain logs of a board's lines, as a serial terminal takes them, from the file to the answer."""

import math
import os
from pathlib import Path

import numpy as np
import pytest

from rig.analysis.answers import Question
from rig.captures.convert import convert
from rig.protocol.framing import frame
from rig.protocol.records import Channel, Data, Hello, Status
from rig.review import compare
from rig.stand.settings import demo_stand
from tests.captures import journals
from tests.truth.marks import TICK_HZ, Way, astray, lines_of

LINE_HZ = 200


def recording(path: Path, degrees: float, rpm: float, seed: int) -> Path:
    """A log of the lines that a board sends of a spin-up and six seconds' hold."""
    hz, random = rpm / 60.0, np.random.default_rng(seed)
    way = Way(lambda s: hz * s, lambda s: np.full_like(s, hz), 0.0)
    lines = [frame(Hello(1, "bench", "1", seed, TICK_HZ, LINE_HZ, frozenset("STL"), 5).body())]
    lines += [
        frame(Channel(index, "x", label, 1024, 16, frozenset(), 0).body())
        for index, label in enumerate(journals.LABELS)
    ]
    columns = lines_of(astray(2, 1, degrees), LINE_HZ, hz, way, 3.0, 3.0)
    for sequence, row in enumerate(zip(*(c.tolist() for c in columns), strict=True)):
        tick, edges, edge_tick = row
        counts = tuple(count + round(float(random.normal(0.0, 3.0))) for count in journals.COUNTS)
        data = Data(sequence, tick, edges % 2**16, edge_tick, Status.ARMED, counts)
        lines.append(frame(data.body()))
    return journals.written(path, lines)


@pytest.mark.parametrize("degrees", [9.0, 16.0])
def test_where_a_mark_sits_is_no_change(tmp_path: Path, degrees: float) -> None:
    stand = demo_stand()
    random = np.random.default_rng(4)
    captures = []
    for place in range(8):
        setup = "ab"[place % 2]
        rpm = 9000.0 * math.exp(float(random.normal(0.0, 1e-4)))
        path = recording(tmp_path / f"{setup}{place}.log", degrees * (setup == "b"), rpm, place + 1)
        captures.append(convert(path, stand=stand, setup=setup))
    change = compare(captures, "a").variants[0].change("speed_rpm")
    assert change is not None
    assert change.ci95 is not None and change.change is not None
    low, high = change.ci95
    assert low <= 0.0 <= high
    assert abs(change.change) < 0.05


@pytest.mark.parametrize(
    ("order", "gain", "word"),
    [
        ("abababab", 0.03, "worth it"),
        ("abababab", 0.0, "not worth it"),
        ("aaaabbbb", 0.03, "cannot tell"),
    ],
)
def test_logs_are_judged_in_the_order_of_their_files_times(
    tmp_path: Path, order: str, gain: float, word: str
) -> None:
    random = np.random.default_rng(6)
    for place, setup in enumerate(order):
        rpm = 9000.0 * math.exp(gain * (setup == "b") + float(random.normal(0.0, 5e-4)))
        # Names that sort otherwise than the runs were made.
        log = recording(tmp_path / f"{setup}{9 - place}.log", 0.0, rpm, place + 1)
        os.utime(log, (1.9e9 + 60.0 * place,) * 2)
        convert(log, stand=demo_stand(), setup=setup)
    result = compare([tmp_path], "a", Question(worth_pct=1.0))
    assert result.variants[0].verdict.word == word
    assert "the order of imported logs is that of their files' times" in result.warnings
