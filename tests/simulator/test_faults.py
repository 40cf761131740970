"""Each fault does what its name says, at its time and no sooner, and nothing else."""

from __future__ import annotations

import itertools
import random
from collections import Counter

import numpy as np
import pytest

from rig.errors import SettingsError
from rig.protocol.commands import Arm, Stop, line
from rig.protocol.framing import Fault as LineFault
from rig.protocol.records import Answer, Data, Rejected, Status
from rig.protocol.timeline import BoardRestartedError, Timeline
from rig.simulator.board import demo_board
from rig.simulator.faults import KINDS, Fault, FaultClock, parse_fault
from rig.simulator.settings import NOTHING, Settings
from tests.simulator.host import Host

HIGHEST = 1023 * 16


def run_with(*faults: str, permille: int = 500, seconds: float = 2.0) -> Host:
    host = Host(demo_board(faults=faults))
    host.run(permille, seconds)
    return host


def late(host: Host) -> list[Data]:
    """Data of the last fifth of a second."""
    return host.data[-40:]


@pytest.mark.parametrize(
    ("spec", "fault"),
    [
        ("silent@5.0", Fault("silent", 5.0)),
        ("corrupt", Fault("corrupt", 0.0, 0.01)),
        ("corrupt=0.2", Fault("corrupt", 0.0, 0.2)),
        ("drop@2=0.5", Fault("drop", 2.0, 0.5)),
        ("overcurrent@3", Fault("overcurrent", 3.0, 110.0)),
        ("overheat@1=90.5", Fault("overheat", 1.0, 90.5)),
    ],
)
def test_how_faults_are_written(spec: str, fault: Fault) -> None:
    assert parse_fault(spec) == fault


@pytest.mark.parametrize(
    "spec",
    ["", "fire", "silent@", "silent@x", "silent=1", "corrupt=0", "corrupt=1.5", "reset@-1"],
)
def test_what_is_no_fault_is_refused(spec: str) -> None:
    with pytest.raises(SettingsError):
        parse_fault(spec)


def test_settings_out_of_range_are_all_named() -> None:
    with pytest.raises(SettingsError) as caught:
        Settings(timing_deg=90.0, line_hz=0, volts=-1.0)
    assert all(name in caught.value.what for name in ("timing_deg", "line_hz", "volts"))


def test_faults_wait_for_the_motor_to_be_driven() -> None:
    faults = [Fault("silent", 2.0), Fault("reset", 1.0), Fault("drop", 0.0, 1.0)]
    clock = FaultClock(faults, random.Random(1))
    clock.tell(None)
    assert [clock.on(name) for name in ("drop", "reset", "silent")] == [True, False, False]
    clock.tell(1.5)
    assert [clock.on(name) for name in ("drop", "reset", "silent")] == [True, True, False]
    assert clock.once("reset") and not clock.once("reset")
    clock.tell(2.0)
    assert clock.on("silent") and clock.hit("drop") and not clock.hit("corrupt")


@pytest.mark.parametrize("name", KINDS)
def test_no_fault_is_there_before_its_time(name: str) -> None:
    calm, waiting = demo_board(seed=8), demo_board(seed=8, faults=[f"{name}@60"])
    assert calm.advance(1.0) == waiting.advance(1.0)


def test_corrupt() -> None:
    host = run_with("corrupt=0.2")
    kinds = Counter(r.fault for r in host.records if isinstance(r, Rejected))
    assert kinds[LineFault.CHECKSUM] + kinds[LineFault.CHARACTERS] > 40
    assert host.board.truth.driven, "answers are not touched"


def test_cut_lines() -> None:
    host = run_with("cut-lines=0.2")
    assert 30 < sum(isinstance(r, Rejected) for r in host.records) < 130


def test_drop() -> None:
    host = run_with("drop=0.2")
    lost = host.data[-1].sequence + 1 - len(host.data)
    assert lost == pytest.approx(0.2 * host.data[-1].sequence, rel=0.35)


@pytest.mark.parametrize("name", ["duplicate", "reorder"])
def test_lines_twice_or_out_of_order(name: str) -> None:
    host = run_with(f"{name}=0.1")
    timeline = Timeline()
    for data in host.data:
        timeline.accept(data)
    counted = timeline.repeated if name == "duplicate" else timeline.late
    assert 15 < counted < 90
    whole = {data.sequence for data in host.data}
    assert len(whole) >= max(whole), "no line is missing"


def test_garbage() -> None:
    host = run_with("garbage@1")
    assert 0 < host.decoder.counts.rejected.total() < 10
    assert host.decoder.counts.good > 400


def test_silent() -> None:
    host = run_with("silent@1", seconds=1.5)
    assert host.data[-1].tick / 2e6 == pytest.approx(1.1, abs=0.1)
    assert host.board.truth.driven, "it says nothing, and drives on"
    host.beating = False
    host.pass_time(0.6)
    assert not host.board.truth.driven


def test_reset() -> None:
    host = Host(demo_board(faults=["reset@1"]))
    boot = host.hello.boot
    host.run(500, 2.0)
    assert host.hello.boot != boot
    assert host.status & Status.CUT and not host.board.truth.driven
    refused = host.tell(Arm(boot))
    assert refused is not None and refused.reason == "boot"
    timeline = Timeline()
    with pytest.raises(BoardRestartedError):
        for data in host.data:
            timeline.accept(data)


def test_no_answers() -> None:
    host = Host(demo_board(faults=["no-answers"]))
    for command, armed in ((Arm(host.hello.boot), True), (Stop(), False)):
        host.board.receive(line(command, 5))
        host.pass_time(0.1)
        assert host.board.armed == armed, "it obeys all the same"
    assert not any(isinstance(r, Answer) for r in host.records)


def test_refuses_arm() -> None:
    host = Host(demo_board(faults=["refuses-arm"]))
    answer = host.tell(Arm(host.hello.boot))
    assert answer is not None and answer.reason == "state" and not host.board.armed


def test_deaf_stop() -> None:
    host = run_with("deaf-stop")
    answer = host.tell(Stop())
    assert answer is not None and answer.accepted
    host.beating = False
    host.pass_time(1.0)
    assert host.board.truth.driven


def test_ignores_stop_but_not_silence() -> None:
    host = run_with("ignores-stop")
    assert host.tell(Stop()) is None
    host.pass_time(1.0)
    assert host.board.truth.driven
    host.beating = False
    for _ in range(12):
        host.board.receive(b"stop\n")  # no checksum: no sign of life
        host.pass_time(0.05)
    assert not host.board.truth.driven


def test_drive_stuck() -> None:
    host = run_with("drive-stuck")
    answer = host.tell(Stop())
    host.pass_time(1.0)
    assert answer is not None and answer.accepted
    assert not host.board.armed
    assert host.status & Status.CUT
    assert host.board.truth.driven


def test_protocol_2() -> None:
    assert Host(demo_board(faults=["protocol-2"])).hello.protocol == 2


@pytest.mark.parametrize(("name", "sign"), [("double-mark", 1), ("missing-mark", -1)])
def test_marks(name: str, sign: int) -> None:
    host = run_with(f"{name}=0.1")
    passed = host.board.truth.edges
    assert sign * (host.data[-1].edges - passed) == pytest.approx(0.1 * passed, rel=0.4)


@pytest.mark.parametrize(
    ("name", "channel", "count"),
    [("motor-open", 2, HIGHEST), ("motor-shorted", 2, 0), ("clip-current", 0, HIGHEST)],
)
def test_sensors_at_an_end(name: str, channel: int, count: int) -> None:
    host = run_with(f"{name}@1")
    assert all(abs(data.counts[channel] - count) < 30 for data in late(host))
    assert all(abs(data.counts[channel] - count) > 500 for data in host.data[:100])


def test_a_clipped_current_is_one_of_a_driven_motor() -> None:
    host = run_with("clip-current@1")
    host.tell(Stop())
    assert host.data[-1].counts[0] < 500


def test_motor_stuck() -> None:
    host = run_with("motor-stuck@1")
    assert len({data.counts[2] for data in late(host)}) == 1
    assert len({data.counts[3] for data in late(host)}) > 1


@pytest.mark.parametrize(
    ("fault", "quantity", "level"),
    [
        ("overcurrent@0.5=100", "current_a", 100.0),
        ("overvolt@0.5", "voltage_v", 29.0),
        ("undervolt@0.5", "voltage_v", 18.0),
        ("overspeed@0.5", "speed_rpm", 22_000.0),
        ("overheat@0.5", "motor_degc", 115.0),
    ],
)
def test_forced_quantities_get_there_without_a_leap(
    fault: str, quantity: str, level: float
) -> None:
    board = demo_board(faults=[fault], ideal=True)
    seen: list[float] = []
    board.on_line = lambda truth: seen.append(getattr(truth, quantity))
    Host(board).run(700, 4.0)
    assert seen[-1] == pytest.approx(level, rel=0.03)
    leap = max(abs(b - a) for a, b in itertools.pairwise(seen))
    assert leap < 0.1 * level


@pytest.mark.parametrize("fault", ["overcurrent@0.5", "overspeed@0.5"])
def test_forced_quantities_obey_a_stop(fault: str) -> None:
    host = run_with(fault, seconds=3.0)
    before = host.board.truth
    host.tell(Stop())
    host.pass_time(0.5)
    assert host.board.truth.current_a < 1.0
    assert host.board.truth.speed_rpm < 0.9 * before.speed_rpm


def test_faults_of_a_board_that_only_talks_count_from_power_up() -> None:
    host = Host(demo_board(faults=["silent@1"], abilities=NOTHING))
    host.pass_time(2.0)
    assert host.data[-1].tick / 2e6 == pytest.approx(1.0, abs=0.01)


def test_a_supply_that_falls_raises_every_count_but_the_thermistors() -> None:
    before, after = (
        Host(demo_board(faults=faults, ideal=True, reference=True))
        for faults in ([], ["reference-low"])
    )
    for host in (before, after):
        host.pass_time(1.0)
    assert before.channels[-1].quantity == "reference"
    sums = [np.mean([line.counts for line in host.data], axis=0) for host in (before, after)]
    ratios = sums[1] / sums[0]
    # 1.1 V of 5 V in 1024 counts, 16 conversions.
    assert sums[0][5] == pytest.approx(1.1 / 5.0 * 1024 * 16, rel=1e-3)
    assert ratios[1] == pytest.approx(5.0 / 4.6, rel=2e-3)
    assert ratios[5] == pytest.approx(5.0 / 4.6, rel=2e-3)
    assert ratios[2:5] == pytest.approx([1.0] * 3, rel=1e-3)
