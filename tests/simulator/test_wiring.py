"""Faults of the wiring, in counts: what the board sends is what a real one would."""

from __future__ import annotations

import dataclasses
import statistics

import pytest

from rig.errors import SettingsError
from rig.simulator.board import Board, demo_board
from rig.simulator.day import plant_for
from rig.simulator.drive import Drive
from rig.simulator.electronics import Electronics, Input
from rig.simulator.faults import parse_fault
from rig.simulator.settings import Settings
from rig.stand.model import Stand
from rig.stand.settings import demo_stand
from tests.simulator.host import Host

HIGHEST = 1023 * 16
SHUNT, PACK, MOTOR, CONTROLLER, _ = range(5)


def driven(*faults: str, seconds: float = 2.0, **changes: object) -> Host:
    host = Host(demo_board(faults=faults, ideal=True, **changes))
    host.run(700, seconds)
    return host


def late_mean(host: Host, channel: int) -> float:
    return statistics.fmean(data.counts[channel] for data in host.data[-100:])


def edges(host: Host) -> int:
    return host.data[-1].edges


@pytest.fixture(scope="module")
def right() -> Host:
    return driven()


def test_a_unipolar_amplifier_reads_nothing_of_a_reversed_shunt(right: Host) -> None:
    host = driven("shunt-reversed")
    assert late_mean(host, SHUNT) < 5.0 < late_mean(right, SHUNT) / 100.0
    assert host.board.truth.current_a == pytest.approx(right.board.truth.current_a, rel=0.01)


def test_a_bipolar_amplifier_reads_a_reversed_shunt_below_zero(right: Host) -> None:
    board = Electronics(own=(("current", Input(bipolar=True)),))
    settings = Settings(
        ideal=True, drive=Drive(board=board), faults=(parse_fault("shunt-reversed"),)
    )
    host = Host(Board(plant_for(settings), settings))
    host.run(700, 2.0)
    assert host.channels[SHUNT].bipolar and not host.channels[PACK].bipolar
    assert late_mean(host, SHUNT) == pytest.approx(-late_mean(right, SHUNT), rel=0.01)


@pytest.mark.parametrize(
    ("fault", "channel", "low", "high"),
    [
        ("shunt-open", SHUNT, 0, 5),
        ("divider-open-top", PACK, 0, 5),
        ("divider-open-bottom", PACK, HIGHEST, HIGHEST),
        ("motor-open", MOTOR, HIGHEST - 10, HIGHEST),
        ("motor-shorted", MOTOR, 0, 10),
    ],
)
def test_what_is_off_lies_at_an_end(fault: str, channel: int, low: float, high: float) -> None:
    host = driven(fault, seconds=0.5)
    assert low <= late_mean(host, channel) <= high


@pytest.mark.parametrize(
    ("fault", "share"),
    [("tachometer-dead", 0.0), ("tachometer-double", 2.0), ("tachometer-half", 0.5)],
)
def test_edges_are_lost_or_doubled(right: Host, fault: str, share: float) -> None:
    host = driven(fault)
    assert edges(host) == pytest.approx(share * edges(right), abs=2)
    assert host.board.truth.edges == pytest.approx(right.board.truth.edges, rel=0.01)


def test_uneven_marks_keep_their_number_and_change_their_distance(right: Host) -> None:
    """Two marks a turn, the second late by a quarter of their distance: 0.625 and 0.375 turns."""
    host = driven("tachometer-uneven=0.25")
    assert edges(host) == pytest.approx(edges(right), abs=1)
    near = [d for d in host.data[-200:] if d.edges % 2 == 0]
    odd = [d for d in host.data[-200:] if d.edges % 2 == 1]
    by_edge = {d.edges: d.edge_tick for d in near + odd}
    ways = {
        parity: statistics.fmean(
            by_edge[e + 1] - by_edge[e] for e in by_edge if e % 2 == parity and e + 1 in by_edge
        )
        for parity in (0, 1)
    }
    assert max(ways.values()) / min(ways.values()) == pytest.approx(0.625 / 0.375, rel=0.02)


def test_exchanged_thermistors() -> None:
    right_late, host = driven(seconds=8.0), driven("motor-swapped", seconds=8.0)
    for one, other in ((MOTOR, CONTROLLER), (CONTROLLER, MOTOR)):
        assert late_mean(host, one) == pytest.approx(late_mean(right_late, other), abs=2.0)
    assert abs(late_mean(right_late, MOTOR) - late_mean(right_late, CONTROLLER)) > 20.0


def test_a_loose_thermistor_is_open_now_and_then() -> None:
    counts = [d.counts[MOTOR] for d in driven("motor-loose=0.3").data]
    assert sum(count == HIGHEST for count in counts) / len(counts) == pytest.approx(0.3, abs=0.1)


def test_a_badly_coupled_thermistor_follows_by_its_time_constant() -> None:
    """A first-order lag that begins in equilibrium is behind a ramp by tau (1 - e^(-t/tau)) times
    the ramp's slope (textbook); the case warms nearly evenly under a steady load."""
    host = driven("motor-slow=4", seconds=12.0)
    straight = driven(seconds=12.0)
    behind = late_mean(host, MOTOR) - late_mean(straight, MOTOR)
    rows = [d.counts[MOTOR] for d in straight.data]
    slope_per_s = -(statistics.fmean(rows[-200:]) - statistics.fmean(rows[-1000:-800])) / 4.0
    assert behind == pytest.approx(4.0 * slope_per_s, rel=0.25)


def test_a_low_reference_moves_what_is_absolute_and_no_ratio(right: Host) -> None:
    host = driven("reference-low=4.0")
    for channel in (SHUNT, PACK):
        assert late_mean(host, channel) == pytest.approx(late_mean(right, channel) / 0.8, rel=0.01)
    assert late_mean(host, CONTROLLER) == pytest.approx(late_mean(right, CONTROLLER), abs=3.0)


def test_a_moving_ground_lets_the_voltage_rise_with_current(right: Host) -> None:
    host = driven("ground-offset=2")
    sag = right.data[20].counts[PACK] - late_mean(right, PACK)
    rise = late_mean(host, PACK) - host.data[0].counts[PACK]
    assert sag > 50.0
    assert rise == pytest.approx(sag, rel=0.1)


def test_an_aliased_ripple_is_a_slow_beat() -> None:
    host = driven("ripple-aliased=0.2", seconds=3.0)
    counts = [d.counts[SHUNT] for d in host.data[-200:]]
    middle = statistics.fmean(counts)
    assert (max(counts) - min(counts)) / 2.0 == pytest.approx(0.2 * middle, rel=0.1)


def test_faults_that_a_stand_cannot_have_are_refused() -> None:
    bare = Stand("bare", channels=demo_stand().channels[1:2])
    faults = ["shunt-reversed", "tachometer-half", "motor-open", "divider-open-top"]
    with pytest.raises(SettingsError) as caught:
        Settings(stand=bare, faults=tuple(map(parse_fault, faults)))
    assert all(name in caught.value.what for name in faults[:3])
    assert "divider" not in caught.value.what


def test_a_stand_that_no_board_can_serve_is_refused() -> None:
    channels = [
        dataclasses.replace(channel, key=key, board_label=label)
        for channel, key, label in zip(
            demo_stand().channels[2:],
            ("bearing", "pack", "air"),
            ("a,b", "x" * 25, "Ω"),
            strict=True,
        )
    ]
    with pytest.raises(SettingsError) as caught:
        Settings(stand=Stand("odd", channels=tuple(channels)))
    words = caught.value.what
    assert 'bearing = "motor"' in words and words.count("board_label") == 3
