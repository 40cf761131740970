"""The simulated stand against motor theory and tables, and the board against its document."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.records import Answer, Cut, Data, Status
from rig.simulator.board import Board, demo_board
from rig.simulator.plant import COPPER_PER_K, Drive, Plant


def test_kt_is_9_5493_over_rpm_per_volt() -> None:
    """Identity of the DC machine, Kt = 60 / (2 pi Kv): 920 rpm/V is 0.010379670 N.m/A."""
    plant = Plant(Drive(rpm_per_volt=920.0, timing_deg=0.0))
    assert plant.kt == pytest.approx(0.010379670, abs=1e-9)


def test_copper_rises_as_iec_60028_has_it() -> None:
    """alpha20 = 0.00393 per K: R(100 degC) / R(20 degC) = 1.3144."""
    assert pytest.approx(1.3144) == 1.0 + COPPER_PER_K * 80.0


def test_standard_conversions() -> None:
    """1 rpm = 0.10471975511965977 rad/s; 0.25 N.m at 3000 rpm = 78.5398163397 W (SI)."""
    assert 0.25 * 3000 * math.pi / 30.0 == pytest.approx(78.5398163397)


def test_shaft_power_goes_with_the_cube_of_speed() -> None:
    """Affinity laws: 70 % of the speed takes 34.3 % of the power."""
    powers = {}
    for throttle in (0.5, 0.9):
        plant = Plant(Drive())
        plant.advance(throttle, 3.0)
        powers[plant.truth.speed_rpm] = plant.truth.shaft_w
    (slow, low_w), (fast, high_w) = sorted(powers.items())
    assert low_w / high_w == pytest.approx((slow / fast) ** 3, rel=1e-4)


def test_at_a_steady_speed_the_shaft_gets_what_is_not_lost() -> None:
    plant = Plant(Drive())
    plant.advance(0.7, 3.0)
    now = plant.truth
    in_w = now.current_a * now.voltage_v
    supply_w = now.current_a**2 * plant.drive.pack_ohm
    assert in_w + supply_w == pytest.approx(now.shaft_w + now.heat_w + supply_w, rel=0.03)


def answers(board: Board, *told: bytes) -> list[str]:
    for line in told:
        board.receive(line)
    records = Decoder().feed(board.advance(0.01))
    return [record.reason for record in records if isinstance(record, Answer)]


def boot_of(board: Board) -> int:
    return Decoder().feed(board.advance(0.001))[0].boot  # type: ignore[union-attr]


def armed_board(**settings: object) -> Board:
    board = demo_board(seed=4, **settings)
    assert answers(board, commands.line(commands.Arm(boot_of(board)), 1)) == [""]
    return board


def test_each_refusal_has_its_reason() -> None:
    board = demo_board(seed=4)
    boot = boot_of(board)
    line = commands.line
    told = [
        line(commands.Arm(boot ^ 1), 1),
        line(commands.Throttle(1), 2),
        line(commands.Limit(9, 0, 1, 0), 3),
        line(commands.Zero(1), 4),
    ]
    assert answers(board, *told) == ["boot", "state", "range", "cannot"]


@pytest.mark.parametrize("stop", [b"\nstop\n", b"STOP\r\n", commands.line(commands.Stop(), 9)])
@pytest.mark.parametrize("before", [b"", b"thrott", b"\xff\x00*"])
def test_a_stop_is_obeyed_after_whatever_came_before(stop: bytes, before: bytes) -> None:
    board = armed_board()
    board.receive(commands.line(commands.Throttle(500), 2))
    board.advance(0.3)
    board.receive(before + (b"" if before == b"" else b"\n") + stop)
    records = Decoder().feed(board.advance(0.01))
    assert any(isinstance(record, Cut) and record.cause == "stop" for record in records)
    assert not board.armed


def test_a_silent_host_is_cut_after_half_a_second() -> None:
    board = armed_board()
    board.receive(commands.line(commands.Throttle(500), 2))
    assert board.advance(0.49) and board.armed
    records = Decoder().feed(board.advance(0.03))
    assert not board.armed
    statuses = [record.status for record in records if isinstance(record, Data)]
    assert statuses[-1] & Status.HEARTBEAT


@given(st.lists(st.binary(max_size=60), max_size=8))
def test_no_bytes_whatever_arm_a_board_or_break_it(pieces: list[bytes]) -> None:
    board = demo_board(seed=1)
    for piece in pieces:
        board.receive(piece)
        board.advance(0.002)
    assert not board.armed


def test_the_same_seed_gives_the_same_lines() -> None:
    first, again = (demo_board(seed=7).advance(1.0) for _ in range(2))
    assert first == again
    assert first != demo_board(seed=8).advance(1.0)


def test_speed_from_edges_is_the_truth_within_0_05_percent() -> None:
    board = armed_board()
    board.receive(commands.line(commands.Throttle(700), 2))
    heard = b""
    for _ in range(30):
        board.receive(commands.line(commands.Beat(), 3))
        heard = board.advance(0.1)
    lines = [record for record in Decoder().feed(heard) if isinstance(record, Data)]
    edges = (lines[-1].edges - lines[0].edges) % 2**16
    ticks = (lines[-1].edge_tick - lines[0].edge_tick) % 2**32
    assert edges / ticks * 2e6 * 30.0 == pytest.approx(board.plant.truth.speed_rpm, rel=5e-4)
