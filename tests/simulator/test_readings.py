"""What the board reads: counts, edges and counters, held against truth and the stand file."""

from __future__ import annotations

import csv
import io
import itertools
import random
import statistics

import pytest

from rig.protocol.commands import Arm, Throttle
from rig.protocol.records import Channel, Data, Hello, Rejected, Unknown
from rig.protocol.timeline import Step, Timeline
from rig.simulator.board import Board, demo_board
from rig.simulator.built import built
from rig.simulator.day import plant_for
from rig.simulator.faults import FaultClock
from rig.simulator.inputs import Inputs
from rig.simulator.settings import NEAR_THE_WRAP, Settings
from rig.simulator.tachometer import TURN, crossings
from rig.simulator.truth import COLUMNS, Truth, TruthFile
from rig.stand.sampler import Sample, Sampler
from rig.stand.settings import demo_stand
from tests.simulator.host import Host


def followed(
    board: Board, permille: int = 700, seconds: float = 3.0
) -> list[tuple[Step, Sample, Truth]]:
    """A run of `board`: each line unwrapped, as the stand reads it, and the truth."""
    truths: list[Truth] = []
    board.on_line = truths.append
    host = Host(board)
    host.run(permille, seconds)
    sampler = Sampler(demo_stand(), host.hello, host.channels)
    timeline, rows = Timeline(), []
    for data, truth in zip(host.data, truths, strict=True):
        step = timeline.accept(data)
        assert step is not None and data.tick == truth.tick
        rows.append((step, sampler.sample(step, data), truth))
    assert timeline.lost == timeline.repeated == timeline.late == 0
    return rows


def test_every_line_decodes_in_order() -> None:
    host = Host(demo_board())
    host.run(500, 1.0)
    assert isinstance(host.records[0], Hello)
    assert [r.index for r in host.records[1:6] if isinstance(r, Channel)] == [0, 1, 2, 3, 4]
    assert [c.label for c in host.channels] == ["shunt", "pack", "motor", "controller", "cells"]
    assert not any(isinstance(r, Rejected | Unknown) for r in host.records)
    assert [d.sequence for d in host.data] == list(range(len(host.data)))
    assert all(len(d.counts) == 5 for d in host.data)


def test_lines_come_at_their_rate() -> None:
    host = Host(demo_board(ideal=True, line_hz=250))
    before = len(host.data)
    host.pass_time(2.0)
    assert len(host.data) - before == pytest.approx(500, abs=1)
    assert {b.tick - a.tick for a, b in zip(host.data, host.data[1:], strict=False)} == {8000}


def test_same_seed_same_bytes() -> None:
    def bytes_of(seed: int) -> bytes:
        board = demo_board(seed=seed, faults=["corrupt=0.1"])
        first = board.advance(0.5)
        return first + board.advance(1.0)

    assert bytes_of(3) == bytes_of(3)
    assert bytes_of(3) != bytes_of(4)


def test_slices_do_not_matter() -> None:
    whole, sliced = demo_board(seed=5), demo_board(seed=5)
    pieces = b"".join(sliced.advance(0.0037) for _ in range(200))
    line_end = pieces.rindex(b"\n")
    assert whole.advance(0.75).startswith(pieces[:line_end])


def test_one_stand_keeps_its_errors_from_run_to_run() -> None:
    assert built(demo_stand(), 1) == built(demo_stand(), 1)
    assert built(demo_stand(), 1) != built(demo_stand(), 2)


def test_speed_from_edges_agrees_with_truth() -> None:
    rows = followed(demo_board(ideal=True), seconds=4.0)
    first, last = rows[-401], rows[-1]
    edges = last[0].edges - first[0].edges
    ticks = last[0].edge_tick - first[0].edge_tick
    rpm = 60.0 * edges / 2 * 2_000_000 / ticks
    truth_rpm = statistics.fmean(row[2].speed_rpm for row in rows[-401:])
    assert rpm == pytest.approx(truth_rpm, rel=5e-4)
    read_rpm = statistics.fmean(row[1].values[-1] for row in rows[-401:])
    assert read_rpm == pytest.approx(truth_rpm, rel=5e-4)


@pytest.mark.parametrize("stand_seed", range(8))
def test_readings_agree_with_truth_within_the_stand_s_uncertainty(stand_seed: int) -> None:
    """Coverage factor 3, about 99.7 % (JCGM 100:2008, G.6.4); means, so that noise is small."""
    board = demo_board(stand_seed=stand_seed, seed=stand_seed)
    rows = followed(board, seconds=2.5)[-200:]
    host = Host(demo_board())
    sampler = Sampler(demo_stand(), host.hello, host.channels)
    for column in ("current_a", "voltage_v", "motor_degc", "controller_degc", "pack_degc"):
        index = sampler.columns.index(column)
        read = statistics.fmean(row[1].values[index] for row in rows)
        true = statistics.fmean(getattr(row[2], column) for row in rows)
        assert abs(read - true) < 3.0 * sampler.uncertainty(column, true), column
    index = sampler.columns.index("speed_rpm")
    read = statistics.fmean(row[1].values[index] for row in rows)
    true = statistics.fmean(row[2].speed_rpm for row in rows)
    assert abs(read - true) < 3.0 * sampler.uncertainty("speed_rpm", true)


@pytest.mark.parametrize(("degc", "ohm"), [(25.0, 10_000.0), (85.0, 1070.3)])
def test_thermistor_counts(degc: float, ohm: float) -> None:
    """Resistances from a maker's table for B25/85 = 3977 K; the B model meets it at 25 and 85."""
    settings = Settings(ideal=True, noise_counts=0.0)
    sums = sums_of(settings, motor_degc=degc)
    assert sums[2] / 16 == pytest.approx(1024 * ohm / (ohm + 10_000.0), abs=0.51)


def sums_of(settings: Settings, current_a: float = 0.4, motor_degc: float = 22.0) -> list[int]:
    chance = random.Random(1)
    stand = built(settings.stand, None if settings.ideal else settings.stand_seed)
    plant = plant_for(settings)
    plant.current_a, plant.voltage_v, plant.case_degc = current_a, 24.0, motor_degc
    return Inputs(settings, stand, FaultClock((), chance), chance).sums(plant, 0.0)


def test_noise_is_that_of_the_converter_and_of_its_steps() -> None:
    """A sum of 16 has the noise of 16 conversions, and of their rounding: a step's width over
    the square root of 12 (JCGM 100:2008 F.2.2.1)."""
    host = Host(demo_board(ideal=True, noise_counts=1.0))
    host.pass_time(10.0)
    spread = statistics.stdev(data.counts[3] for data in host.data)
    assert spread == pytest.approx((16 * (1.0 + 1 / 12)) ** 0.5, rel=0.06)


@pytest.mark.parametrize(("amps", "count"), [(-50.0, 0), (0.0, 0), (1000.0, 1023 * 16)])
def test_converter_ends(amps: float, count: int) -> None:
    assert sums_of(Settings(ideal=True, noise_counts=0.0), amps)[0] == count


def test_no_current_is_not_the_end_of_scale() -> None:
    """At rest every stand must read above zero, or its stop could never be proven."""
    for stand_seed in range(20):
        assert sums_of(Settings(stand_seed=stand_seed))[0] > 0


def test_counters_wrap_and_unwrap() -> None:
    rows = followed(demo_board(start=NEAR_THE_WRAP), permille=900, seconds=2.0)
    steps = [row[0] for row in rows]
    assert steps[-1].sequence > 2**16 and steps[-1].tick > 2**32 and steps[-1].edges > 2**16
    assert all(b.sequence == a.sequence + 1 for a, b in itertools.pairwise(steps))
    assert all(b.tick > a.tick for a, b in itertools.pairwise(steps))
    assert all(0 <= b.edges - a.edges < 20 for a, b in itertools.pairwise(steps))
    moving = steps[-50:]
    assert all(b.edge_tick > a.edge_tick for a, b in itertools.pairwise(moving))


def test_crossings_of_an_even_change_of_speed() -> None:
    """s = v t + a t^2 / 2 solved by hand: from rest at 2 rad/s2, half a turn takes sqrt(pi) s."""
    (passed_s,) = crossings((0.5,), 0.0, 0.0, 4.0, 2.0)
    assert passed_s == pytest.approx(3.141592653589793**0.5)
    assert crossings((0.0, 0.5), 0.1, 0.0, 0.0, 1.0) == []
    steady = crossings((0.0, 0.5), 0.0, TURN, TURN, 2.0)
    assert steady == pytest.approx([0.5, 1.0, 1.5, 2.0])


def test_every_mark_is_seen_once() -> None:
    host = Host(demo_board(ideal=True))
    host.run(1000, 2.0)
    turns = host.board.plant.angle_rad / TURN
    assert host.board.truth.edges == int(2 * turns)


def test_no_edge_before_the_first() -> None:
    host = Host(demo_board())
    host.pass_time(0.3)
    assert {(d.edges, d.edge_tick) for d in host.data} == {(0, 0)}


def test_truth_file() -> None:
    board, text = demo_board(), io.StringIO()
    board.on_line = TruthFile(text, lambda: 12.5).write
    host = Host(board)
    host.run(600, 1.0)
    rows = list(csv.DictReader(io.StringIO(text.getvalue())))
    assert tuple(rows[0]) == COLUMNS
    assert [int(row["tick"]) for row in rows] == [data.tick for data in host.data]
    assert {row["host_s"] for row in rows} == {"12.5"}
    assert rows[0]["driven"] == "0" and rows[-1]["driven"] == "1"
    assert float(rows[-1]["speed_rpm"]) == pytest.approx(board.truth.speed_rpm, rel=0.02)


def test_a_slow_wire_carries_what_it_can() -> None:
    """115200 baud carries 11520 bytes a second (8N1: ten bits a byte). Sequence numbers tell
    of the lines that found no room; answers always find some."""
    host = Host(demo_board(baud=115_200, line_hz=400))
    assert host.tell(Arm(host.hello.boot)) is not None
    sent = 0
    for _ in range(20):
        host.board.receive(b"\n")
        sent += len(host.board.advance(0.1))
    assert sent == pytest.approx(2 * 11_520, rel=0.02)
    answer = host.tell(Throttle(0))
    assert answer is not None


def test_a_wire_fast_enough_loses_nothing() -> None:
    host = Host(demo_board(baud=115_200, line_hz=124))
    host.run(1000, 3.0)
    assert [d.sequence for d in host.data] == list(range(len(host.data)))
    assert isinstance(host.data[-1], Data)
