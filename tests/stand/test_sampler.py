"""The live path and the bulk path are one thing; the tachometer and its glitches."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.records import Data
from rig.protocol.timeline import Step
from rig.stand.model import Tachometer
from rig.stand.sampler import Sampler
from rig.stand.settings import demo_stand
from rig.stand.tachometer import Speedometer, speeds
from tests.stand.boards import channels, hello

counts = st.one_of(st.integers(0, 16 * 1023), st.sampled_from([0, 16 * 1023, 16 * 1020]))
rows = st.lists(
    st.tuples(st.lists(counts, min_size=5, max_size=5), st.integers(0, 5), st.integers(1, 20_000)),
    min_size=1, max_size=40,
)  # fmt: skip


@given(rows)
def test_single_lines_and_whole_arrays_give_the_same(
    made: list[tuple[list[int], int, int]],
) -> None:
    live, bulk = (Sampler(demo_stand(), hello(), channels()) for _ in range(2))
    fields, counters = [], []
    tick = edges = edge_tick = 0
    for values, more, ticks in made:
        tick += ticks
        edges += more
        edge_tick = tick - ticks // 2 if more else edge_tick
        fields.append([0, tick, edges, edge_tick, 1, *values])
        counters.append((tick, edges, edge_tick))
    columns = bulk.columns_of(np.array(fields), *np.array(counters).T)
    for i, (row, (t, e, et)) in enumerate(zip(fields, counters, strict=True)):
        sample = live.sample(Step(i, t, e, et, 0), Data(0, t, e, et, 1, tuple(row[5:])))
        found = np.array([columns[name][i] for name in live.columns])
        np.testing.assert_allclose(found, sample.values, rtol=1e-12)
        assert columns["valid"][i] == (not sample.clipped and not sample.faults)
        assert columns["time_s"][i] == sample.time_s


def test_whole_slices_of_a_turning_rotor_give_what_single_rows_give() -> None:
    rng = np.random.default_rng(3)
    tick = np.cumsum(rng.integers(900, 1100, 20_000))
    edges = tick * 300 // 1_000_000 + (np.arange(20_000) > 15_000)  # one double mark
    edge_tick = np.maximum.accumulate(np.where(np.diff(edges, prepend=0) > 0, tick - 90, 0))
    bulk, single = meter(), meter()
    found, trust = speeds(bulk, tick, edges, edge_tick)
    rows = zip(tick.tolist(), edges.tolist(), edge_tick.tolist(), strict=True)
    expected = [single.speed(*row) for row in rows]
    assert found.tolist() == [speed for speed, _ in expected]
    assert trust.tolist() == [good for _, good in expected]
    assert not trust.all()


def meter() -> Speedometer:
    return Speedometer(Tachometer(pulses_per_revolution=2), 1_000_000)


def turn(
    meter: Speedometer, lines: int, extra: dict[int, int] | None = None
) -> list[tuple[float, bool]]:
    """6000 rpm: an edge each 5 ms, a line each 20 ms; `extra` edges at some lines."""
    found, edges = [], 0
    for line in range(lines):
        edges += 4 + (extra or {}).get(line, 0)
        found.append(meter.speed(line * 20_000, edges, line * 20_000))
    return found


def test_a_double_and_a_missing_mark_are_rejected_and_the_speed_held() -> None:
    found = turn(meter(), 30, {10: 1, 20: -1})
    rejected = [line for line, (_, good) in enumerate(found) if not good]
    assert rejected == []  # 25 % in 20 ms is slower than a rotor may change: seen, not judged
    quick = Speedometer(Tachometer(2, fastest_change_rpm_per_s=20_000.0), 1_000_000)
    found = turn(quick, 30, {10: 1, 20: -1})
    assert [line for line, (_, good) in enumerate(found) if not good] == [10, 20]
    assert all(speed == 6000.0 for speed, _ in found[2:])


def test_a_true_change_is_believed_at_the_third_line() -> None:
    quick = Speedometer(Tachometer(2, fastest_change_rpm_per_s=1000.0), 1_000_000)
    turn(quick, 10)
    found = [
        quick.speed(180_000 + i * 20_000, 40 + 8 * i, 180_000 + i * 20_000) for i in range(1, 5)
    ]
    assert [good for _, good in found].index(True) == 2
    assert found[-1][0] == 12_000.0


def test_standstill_is_0_rpm_within_half_a_second() -> None:
    stopped = meter()
    turn(stopped, 10)
    falling = [stopped.speed(180_000 + ms * 1000, 40, 180_000)[0] for ms in range(1, 600)]
    assert all(later <= before for before, later in pairwise(falling))
    assert falling[498] > 0.0
    assert falling[500] == 0.0
