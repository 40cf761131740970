"""What is found on a stand at rest, and what is not: wiring faults on simulated counts."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student

from rig.protocol.records import Data
from rig.simulator.board import demo_board
from rig.stand.at_rest import AT_MOST_S, ENOUGH_LINES, SETTLE_S, AtRest, RestWindow
from rig.stand.findings import NOTE, REFUSE
from rig.stand.model import Converter, Level, Limits, Line, OverCurrent, PositiveParameter, Stand
from rig.stand.resting import judge
from rig.stand.sampler import Sample
from rig.stand.settings import demo_stand
from rig.stand.tolerance import STUDENT_975, standard_uncertainty
from rig.stand.uncertainty import Budget
from tests.stand.boards import line
from tests.stand.rested import rested

STAND = demo_stand()
CURRENT, VOLTAGE, MOTOR = 0, 1, 2
TOP = 1023 * 16
AMPS = 16 * 1024 * 0.0375 / 5.0
"""Summed counts per ampere: 0.75 milliohm, gain 50, a reference of 5 V."""

Wrong = Callable[[Data], Data | None]


def at(index: int, change: Callable[[int], float]) -> Wrong:
    """One input's counts changed, within the converter's range."""

    def wrong(data: Data) -> Data:
        counts = list(data.counts)
        counts[index] = min(max(round(change(counts[index])), 0), TOP)
        return data._replace(counts=tuple(counts))

    return wrong


def found(wrong: Wrong = lambda data: data, stand: Stand = STAND) -> list[str]:
    """Severity and subject of each finding."""
    return [f"{f.severity} {f.about}" for f in judge(rested(demo_board(seed=1), stand, wrong))]


def limited(key: str = "", level: Level | None = None, **limits: object) -> Stand:
    levels = dict(STAND.limits.levels) | ({key: level} if level else {})
    changed = dataclasses.replace(STAND.limits, levels=tuple(levels.items()), **limits)  # type: ignore[arg-type]
    return dataclasses.replace(STAND, limits=changed)


FAULTS: dict[str, tuple[Wrong, list[str]]] = {
    "10 A at rest": (at(CURRENT, lambda c: c + 10 * AMPS), ["refuse current_a"]),
    "3 A at rest": (at(CURRENT, lambda c: c + 2.6 * AMPS), ["note current_a"]),
    "shunt reversed, unipolar": (at(CURRENT, lambda _: 0), ["note current_a noise"]),
    "current at its end": (at(CURRENT, lambda _: TOP), ["refuse current_a"]),
    "divider open at the top": (at(VOLTAGE, lambda _: 0), ["refuse voltage_v"]),
    "divider open at the bottom": (at(VOLTAGE, lambda _: TOP), ["refuse voltage_v"]),
    "divider 20 % low": (at(VOLTAGE, lambda c: 0.8 * c), ["refuse voltage_v"]),
    "divider 21 % low": (at(VOLTAGE, lambda c: 0.79 * c), ["refuse voltage_v"]),
    "divider 5 % high": (at(VOLTAGE, lambda c: 1.065 * c), ["note voltage_v"]),
    "divider 9 % high": (at(VOLTAGE, lambda c: 1.09 * c), ["refuse voltage_v"]),
    "a pack of five cells": (at(VOLTAGE, lambda c: 5 / 6 * c), ["refuse voltage_v"]),
    "thermistor open": (at(MOTOR, lambda _: TOP), ["refuse motor_degc"]),
    "thermistor shorted": (at(MOTOR, lambda _: 0), ["refuse motor_degc"]),
    "thermistor loose": (
        lambda data: at(MOTOR, lambda _: TOP)(data) if data.sequence % 10 == 1 else data,
        ["note motor_degc"],
    ),
    "thermistor loose most of the time": (
        lambda data: at(MOTOR, lambda _: TOP)(data) if data.sequence % 10 > 1 else data,
        ["refuse motor_degc"],
    ),
    "thermistor 10 K off": (at(MOTOR, lambda c: c - 1600), ["note temperatures"]),
    "thermistor stuck": (at(MOTOR, lambda _: 8800), ["note motor_degc noise"]),
    "edges without a turn": (
        lambda data: data._replace(edges=data.sequence // 7 % 65536, edge_tick=data.tick),
        ["note speed_rpm"],
    ),
    "lines lost": (
        lambda data: None if data.sequence % 20 == 3 else data, ["note link"],
    ),
    "many lines lost": (
        lambda data: None if data.sequence % 3 == 1 else data, ["refuse link"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_at_rest_is_found_as_what_it_is(name: str) -> None:
    wrong, wanted = FAULTS[name]
    assert found(wrong) == wanted


SETTINGS: dict[str, tuple[Stand, list[str]]] = {
    "a limit above the scale": (
        limited("current", Level(trip_over=200.0)), ["note limits.current.trip_over"],
    ),
    "a limit below the scale": (
        limited("current", Level(trip_under=-5.0)), ["note limits.current.trip_under"],
    ),
    "a power that cannot be": (
        limited("power", Level(trip_over=5000.0)), ["note limits.power.trip_over"],
    ),
    "a pickup above the scale": (
        limited(overcurrent=OverCurrent("C", pickup_a=150.0)),
        ["note limits.overcurrent.pickup_a"],
    ),
    "eight cells": (
        limited("voltage", Level(trip_over=35.0), cells=8),
        ["refuse voltage_v", "refuse voltage range", "note limits.voltage.trip_over"],
    ),
    "eight cells, the limit in range": (
        limited(cells=8), ["refuse voltage_v", "note voltage range"],
    ),
    "a limit passed at rest": (limited("motor", Level(trip_over=15.0)), ["refuse motor_degc"]),
    "a warning passed at rest": (
        limited("motor", Level(warn_over=15.0, trip_over=90.0)), ["note motor_degc"],
    ),
    "a warning alone": (limited("motor", Level(warn_over=85.0)), ["note limits"]),
    "cells in place of a voltage": (
        limited("voltage", Level()), [],
    ),
    "no limits at all": (dataclasses.replace(STAND, limits=Limits()), ["note limits"]),
}  # fmt: skip


@pytest.mark.parametrize("name", SETTINGS)
def test_each_setting_that_does_not_fit_is_found(name: str) -> None:
    stand, wanted = SETTINGS[name]
    assert found(stand=stand) == wanted


def test_a_supply_is_judged_without_cells_too() -> None:
    stand = dataclasses.replace(STAND, limits=Limits())
    assert found(at(VOLTAGE, lambda _: 0), stand)[0] == "refuse voltage_v"


def test_a_bipolar_shunt_that_is_reversed_reads_below_zero() -> None:
    (finding,) = judge(with_reading(BASE, "current_a", -1.0))
    assert (finding.severity, finding.about) == (NOTE, "current_a")
    assert "reversed" in finding.look_at


def test_the_clock_and_the_rate_of_the_board_are_compared_with_what_was_announced() -> None:
    rest = rested(demo_board(seed=1), STAND)
    slow = dataclasses.replace(rest.hello, line_hz=100)
    assert [f.about for f in judge(dataclasses.replace(rest, hello=slow))] == ["line rate"]
    other = dataclasses.replace(rest.hello, tick_hz=250_000, line_hz=25)
    assert [f.about for f in judge(dataclasses.replace(rest, hello=other))] == ["clock"]


def test_a_run_that_drives_nothing_is_refused_as_a_setting() -> None:
    (finding,) = judge(rested(demo_board(seed=1), STAND, no_throttle=True))
    assert (finding.severity, finding.of_settings) == (REFUSE, True)
    assert "--throttle" in finding.look_at


def test_a_noise_far_above_what_is_usual_is_noted() -> None:
    assert found(at(CURRENT, lambda c: c + 300 * (c % 2))) == ["note current_a noise"]
    rest = rested(demo_board(seed=1, noise_counts=0.7), STAND)
    assert judge(rest) == ()


def test_a_converter_without_noise_is_noted_once() -> None:
    board = demo_board(seed=1, noise_counts=0.0, ideal=True)
    assert [f.about for f in judge(rested(board, STAND))] == ["noise"]


def test_a_motor_that_runs_already_on_a_board_that_only_talks_is_one_note() -> None:
    board = demo_board(seed=1, abilities="", throttle=0.5)
    board.advance(2.0)
    (finding,) = judge(rested(board, STAND))
    assert (finding.severity, finding.about) == (NOTE, "speed_rpm")
    assert "runs already" in finding.look_at


def test_nothing_is_found_on_good_stands() -> None:
    """Every stand errs within its tolerances, every day is another; 300 of 300 were silent."""
    for seed in range(40):
        rest = rested(demo_board(seed=seed, stand_seed=1000 + seed), STAND)
        assert judge(rest) == (), seed


RANKS = {NOTE: 1, REFUSE: 2}


def rank(column: str, value: float) -> int:
    """How bad a reading of `value` is: nothing, a note, a refusal."""
    findings = judge(with_reading(BASE, column, value))
    return max([RANKS[f.severity] for f in findings if f.about == column], default=0)


@settings(max_examples=60, deadline=None)
@given(
    column=st.sampled_from([("current_a", 0.4, 60.0), ("voltage_v", 24.0, 8.0)]),
    sign=st.sampled_from([1.0, -1.0]),
    share=st.floats(0.0, 1.0),
    more=st.floats(0.0, 1.0),
)
def test_what_is_refused_stays_refused_as_it_gets_worse(
    column: tuple[str, float, float], sign: float, share: float, more: float
) -> None:
    """From what is right outwards, and at the far end it is refused."""
    name, right, far = column
    off = share * far
    assert rank(name, right) == 0
    assert rank(name, right + sign * off) <= rank(name, right + sign * (off + more * far))
    assert rank(name, right + sign * far) == 2


BASE = rested(demo_board(seed=1), STAND)


def with_reading(rest: AtRest, column: str, value: float) -> AtRest:
    changed = dataclasses.replace(rest)
    changed.inputs[column] = dataclasses.replace(rest.inputs[column], reading=value)
    return changed


def test_findings_are_whole_sentences_and_refusals_come_first() -> None:
    findings = judge(rested(demo_board(seed=1), SETTINGS["eight cells"][0]))
    assert [f.severity for f in findings] == [REFUSE, REFUSE, NOTE]
    for finding in findings:
        assert finding.read.endswith(".") and finding.look_at[-1] in ".?:", finding


def test_the_plain_uncertainty_is_that_of_the_full_budget() -> None:
    """Against rig.stand.uncertainty, which works with the `uncertainties` library."""
    budget = Budget(converter=STAND.converter)
    for bound in BASE.sampler.bound:
        for share in (0.1, 0.4, 0.8):
            count = share * bound.channel.highest_count
            full = budget.reading(bound, bound.value(count), single=False)
            plain = standard_uncertainty(bound, count, STAND.converter)
            assert plain == pytest.approx(full.std_dev, rel=0.02), bound.column


@settings(max_examples=30, deadline=None)
@given(
    counts=st.lists(st.lists(st.integers(-(2**31), 2**31 - 1), min_size=5, max_size=5), min_size=1),
    u=st.sampled_from([0.0, 1.0, 1e9]),
)
def test_no_counts_and_no_tolerance_raise(counts: list[list[int]], u: float) -> None:
    lines = iter(counts * 200)
    motor = STAND.channels[MOTOR]
    doubtful = dataclasses.replace(motor.sensor, r25_ohm=PositiveParameter(1e4, u))  # type: ignore[call-arg]
    channels = (*STAND.channels[:2], dataclasses.replace(motor, sensor=doubtful))
    stand = dataclasses.replace(STAND, channels=(*channels, *STAND.channels[3:]))
    rest = rested(demo_board(seed=1), stand, lambda data: data._replace(counts=tuple(next(lines))))
    assert isinstance(judge(rest), tuple)


def test_the_table_of_student_is_that_of_scipy() -> None:
    for freedom, quantile in enumerate(STUDENT_975, start=1):
        assert quantile == pytest.approx(student.ppf(0.975, freedom), abs=6e-4)


def test_a_fitted_line_has_its_covariance() -> None:
    fitted = Line(0.0, 0.01, ((0.04, 0.0), (0.0, 0.0)), fit_points=4)
    channels = (dataclasses.replace(STAND.channels[0], sensor=fitted), *STAND.channels[1:])
    stand = dataclasses.replace(STAND, channels=channels)
    bound = rested(demo_board(seed=1), stand).sampler.bound[0]
    exact = standard_uncertainty(bound, 100.0, Converter(0.0, 0.0))
    assert exact == pytest.approx(0.2 * 4.303 / 1.96)


def test_the_window_is_half_a_second_or_enough_lines_but_never_old() -> None:
    fast, slow = RestWindow(), RestWindow()
    step, data = line((1, 2, 3, 4, 5))
    sample = Sample(0.0, (0.0,), (), (), 0)
    for number in range(3000):
        fast.add(number / 1000, step, data, sample)
    assert len(fast.lines) == pytest.approx(1000 * SETTLE_S, abs=2)
    for number in range(50):
        slow.add(number / 10, step, data, sample)
        waits = slow.is_enough(number / 10)
        assert waits == (number / 10 >= AT_MOST_S), number
    assert (
        len(slow.lines) == pytest.approx(10 * AT_MOST_S, abs=2) and len(slow.lines) < ENOUGH_LINES
    )
