"""Readings that cannot be true while the motor is driven, from samples made by hand."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable, Iterator

import pytest

from rig.protocol.records import Channel, Hello
from rig.stand.doubted_tachometer import UNEVEN
from rig.stand.limits import Alarm, Guard
from rig.stand.marks import AGREED
from rig.stand.model import Level, Limits, Motor, OverCurrent, Stand
from rig.stand.plausibility import Plausibility
from rig.stand.sampler import GLITCH, Sample, Sampler
from rig.stand.settings import demo_stand
from rig.stand.tolerance import standard_uncertainty
from tests.bench.scripted import CONVERSIONS, FULL_SCALE, LABELS

LINE_S = 0.005
HELLO = Hello(1, "x", "1", 1, 1_000_000, 200, frozenset("STL"), len(LABELS))
CHANNELS = [
    Channel(index, quantity, label, FULL_SCALE, CONVERSIONS, frozenset(), 0)
    for index, (quantity, label) in enumerate(LABELS)
]

Readings = Callable[[float], dict[str, float]]


class Bench:
    """A guard and its plausibility; lines of a driven, healthy motor unless a test bends them."""

    def __init__(self, stand: Stand | None = None) -> None:
        self.stand = stand or demo_stand()
        self.sampler = sampler = Sampler(self.stand, HELLO, CHANNELS)
        self.columns = sampler.columns
        self.plausibility = Plausibility(self.stand, sampler)
        self.guard = Guard(self.stand, self.columns, plausibility=self.plausibility)
        self.time_s = 0.0
        self.alarms: list[Alarm] = []
        self._chance = random.Random(1)
        for _ in range(100):
            self.plausibility.look_at_rest(self.sample({"current_a": 0.4, "speed_rpm": 0.0}))

    def sample(
        self,
        bent: dict[str, float],
        clipped: tuple[str, ...] = (),
        faults: tuple[tuple[str, str], ...] = (),
    ) -> Sample:
        self.time_s += LINE_S
        noise = self._chance.gauss
        good = {
            "current_a": 30.0 + noise(0.0, 0.02),
            "voltage_v": 23.5 + noise(0.0, 0.01),
            "speed_rpm": 9500.0,
            "motor_degc": 30.0 + noise(0.0, 0.02),
            "controller_degc": 30.0 + noise(0.0, 0.02),
            "pack_degc": 25.0 + noise(0.0, 0.02),
        } | bent
        good["power_w"] = good["current_a"] * good["voltage_v"]
        return Sample(self.time_s, tuple(good[c] for c in self.columns), clipped, faults, 1)

    def run(self, seconds: float, bent: Readings | None = None, **more: tuple) -> Bench:  # type: ignore[type-arg]
        """So many seconds of lines; `bent` gives readings by the seconds since this call."""
        began_s = self.time_s
        for _ in range(round(seconds / LINE_S)):
            readings = bent(self.time_s - began_s) if bent else {}
            line = self.sample(readings, **more)
            self.alarms += self.guard.check(line.time_s, line)
        return self

    def drive(self, percent: float | None) -> Bench:
        self.plausibility.drive(percent)
        return self

    def said(self) -> list[tuple[str, str, str]]:
        return [(alarm.severity, alarm.quantity, alarm.cause) for alarm in self.alarms]


def spin_up(after_s: float, **bent: float) -> dict[str, float]:
    """A rotor that comes up to 9500 rpm within half a second, and its current."""
    share = min(after_s / 0.5, 1.0)
    return {"speed_rpm": 9500.0 * share, "current_a": 0.4 + 30.0 * share**2} | bent


def limits(**levels: Level) -> Stand:
    return dataclasses.replace(demo_stand(), limits=Limits(levels=tuple(levels.items())))


NO_LIMITS = limits()


def test_a_good_run_is_not_doubted() -> None:
    bench = Bench().drive(70.0).run(3.0, spin_up).drive(20.0)
    # Down at once: the rotor coasts, and its current comes back when it is slow enough.
    bench.run(1.0, lambda t: {"speed_rpm": max(9500.0 - 9000.0 * t, 2500.0), "current_a": 0.4})
    bench.run(3.0, lambda _: {"speed_rpm": 2500.0, "current_a": 1.5})
    bench.plausibility.coast()
    bench.run(3.0, lambda t: {"speed_rpm": 2500.0 - 500 * t, "current_a": 0.0})
    assert bench.said() == []


@pytest.mark.parametrize(
    ("bent", "quantity", "cause"),
    [
        ({"current_a": 0.0}, "current_a", "no current"),
        ({"current_a": -30.0}, "current_a", "reversed"),
        ({"speed_rpm": 0.0}, "speed_rpm", "no speed"),
        ({"voltage_v": 0.0}, "voltage_v", "no voltage"),
    ],
)
def test_what_blinds_a_limit_trips_within_half_a_second(
    bent: dict[str, float], quantity: str, cause: str
) -> None:
    # Current and speed of themselves, without the demo's limits on cells.
    blinded = Level(trip_over=100.0 if quantity != "speed_rpm" else 20000.0)
    keys = {"current_a": "current", "speed_rpm": "speed", "voltage_v": "voltage"}
    for stand, severity in (
        (limits(**{keys[quantity]: blinded}), "trip"),
        (NO_LIMITS, "warning"),
    ):
        bench = Bench(dataclasses.replace(stand, motor=Motor(712.0)))
        began_s = bench.time_s
        bench.drive(70.0).run(2.0, lambda t: spin_up(t, **bent))
        assert bench.said()[:1] == [(severity, quantity, cause)]
        assert bench.alarms[0].time_s - began_s < 0.5
        assert "Look at" in bench.alarms[0].text


def test_an_inverse_time_limit_is_blind_without_current_too() -> None:
    stand = dataclasses.replace(demo_stand(), limits=Limits(overcurrent=OverCurrent("C", 75.0)))
    bench = Bench(stand).drive(70.0).run(2.0, lambda t: spin_up(t, current_a=0.0))
    assert bench.said() == [("trip", "current_a", "no current")]


def test_a_small_current_below_its_own_uncertainty_is_not_missed() -> None:
    idle = {"speed_rpm": 2500.0, "current_a": 0.5}
    bench = Bench().drive(8.0).run(5.0, lambda t: spin_up(t, **idle))
    assert bench.said() == []


def test_current_that_flows_back_while_the_rotor_slows_is_no_fault() -> None:
    bench = Bench().drive(70.0).run(2.0, spin_up).drive(20.0)
    bench.run(1.5, lambda t: {"speed_rpm": 9500.0 - 4000.0 * t, "current_a": -8.0})
    assert bench.said() == []


def test_a_rotor_that_coasts_in_a_hands_run_is_not_doubted() -> None:
    bench = Bench().drive(None).run(3.0, spin_up)
    bench.run(8.0, lambda t: {"speed_rpm": 9500.0 * (1 - 0.02 * t), "current_a": 0.1})
    assert bench.said() == []
    # But one that keeps its speed is driven.
    bench.run(5.0, lambda _: {"speed_rpm": 8000.0, "current_a": 0.1})
    assert bench.said() == [("trip", "current_a", "no current")]


def test_a_tachometer_that_dies_in_mid_run_is_noticed_within_half_a_second() -> None:
    bench = Bench().drive(70.0).run(3.0, spin_up)
    died_s = bench.time_s
    # What a speedometer gives without edges: no more than one over the time since the last.
    bench.run(1.0, lambda t: {"speed_rpm": min(9500.0, 30.0 / (t + 1e-3))})
    assert bench.said() == [("trip", "speed_rpm", "no speed")]
    assert bench.alarms[0].time_s - died_s < 0.5


@pytest.mark.parametrize(
    ("rpm", "percent", "said"),
    [
        (18_900.0, 70.0, [("warning", "speed_rpm", "too fast")]),
        (9500.0, 70.0, []),
        (4700.0, 70.0, [("trip", "speed_rpm", "too slow")]),
        # At a low throttle nobody knows the load.
        (2500.0, 40.0, []),
        (7500.0, 40.0, []),
        (11_800.0, 40.0, [("warning", "speed_rpm", "too fast")]),
        # A hand's throttle: no motor turns faster than its rpm per volt, with some allowance.
        (18_900.0, None, []),
        (23_000.0, None, [("warning", "speed_rpm", "too fast")]),
    ],
)
def test_speed_is_compared_with_rpm_per_volt(
    rpm: float, percent: float | None, said: list[tuple[str, str, str]]
) -> None:
    stand = dataclasses.replace(
        limits(speed=Level(trip_over=30_000.0)), motor=Motor(712.0, resistance_ohm=0.033)
    )
    bench = Bench(stand).drive(percent).run(3.0, lambda _: {"speed_rpm": rpm})
    assert bench.said()[: len(said) or 1] == said
    without = Bench(dataclasses.replace(stand, motor=None)).drive(percent)
    assert without.run(3.0, lambda _: {"speed_rpm": rpm}).said() == []


@pytest.mark.parametrize(
    ("every", "said"),
    [(5, [("warning", "speed_rpm", "uneven edges")]), (30, [])],
)
def test_speeds_that_are_thrown_out_again_and_again_are_in_doubt(
    every: int, said: list[tuple[str, str, str]]
) -> None:
    bench = Bench().drive(70.0).run(1.0, spin_up)
    for _ in range(100):
        bench.run((every - 1) * LINE_S).run(LINE_S, faults=(GLITCH,))
    assert bench.said() == said


def test_marks_that_are_off_by_more_than_marks_are_are_in_doubt() -> None:
    bench = Bench().drive(70.0)
    turns = bench.sampler._speedometer._turns  # type: ignore[union-attr]
    turns._agreed, turns._places = [AGREED, AGREED], [0.0, UNEVEN - 0.01]
    assert bench.run(2.0, spin_up).said() == []
    turns._places = [0.0, UNEVEN + 0.01]
    assert bench.run(1.0).said() == [("warning", "speed_rpm", "uneven marks")]
    assert "19 %" in bench.alarms[0].text


def test_voltage_must_not_rise_with_current() -> None:
    def course(sign: float) -> Readings:
        return lambda t: spin_up(t) | {"voltage_v": 24.0 + sign * min(t, 0.5)}

    assert Bench().drive(70.0).run(2.0, course(-1.0)).said() == []
    bench = Bench().drive(70.0).run(2.0, course(1.0))
    assert bench.said()[0] == ("warning", "voltage_v", "rises with current")


def test_an_input_at_an_end_of_its_scale_warns_where_no_level_trips() -> None:
    bench = Bench(NO_LIMITS).drive(70.0)
    bench.run(1.0, clipped=("voltage_v",)).run(2.0)
    assert bench.said() == [
        ("warning", "voltage_v", "clipped"),
        ("cleared", "voltage_v", "clipped"),
    ]
    # One line in ten is noise.
    again = Bench(NO_LIMITS).drive(70.0)
    for _ in range(20):
        again.run(LINE_S, clipped=("voltage_v",)).run(9 * LINE_S)
    assert again.said() == []


def test_a_temperature_that_stands_still_though_it_showed_noise_is_stuck() -> None:
    bench = Bench().drive(70.0).run(2.0, spin_up)
    stuck_s = bench.time_s
    bench.run(1.0, lambda _: {"motor_degc": 30.0})
    assert bench.said() == [("trip", "motor_degc", "stuck")]
    assert bench.alarms[0].time_s - stuck_s < 0.5


def test_a_quiet_converter_may_stand_still_until_energy_says_that_it_must_have_moved() -> None:
    def quiet(_: float) -> dict[str, float]:
        return {"motor_degc": 30.0, "controller_degc": 30.0, "pack_degc": 25.0}

    bench = Bench()
    bench.plausibility = Plausibility(bench.stand, Sampler(bench.stand, HELLO, CHANNELS))
    bench.guard = Guard(bench.stand, bench.columns, plausibility=bench.plausibility)
    bench.drive(70.0).run(20.0, quiet)
    assert bench.said() == []
    # 700 W, and a conversion's step of 0.1 K at 400 kJ/K: about a minute.
    bench.run(60.0, quiet)
    assert [cause for _, _, cause in bench.said()] == ["stuck"]


def test_a_temperature_that_jumps_is_doubted_and_one_bad_line_is_not() -> None:
    bench = Bench().drive(70.0).run(2.0, spin_up)
    bench.run(LINE_S * 10, lambda _: {"motor_degc": 90.0}).run(2.0)
    assert bench.said() == []
    bench.run(1.0, lambda _: {"motor_degc": 60.0})
    assert bench.said() == [("trip", "motor_degc", "jumps")]
    # A motor that heats at 40 K/s is hot, and true.
    hot = Bench(NO_LIMITS).drive(70.0).run(2.0, spin_up)
    assert hot.run(2.0, lambda t: {"motor_degc": 30.0 + 40.0 * t}).said() == []


def test_a_thermistor_that_comes_and_goes_is_loose() -> None:
    bench = Bench().drive(70.0).run(2.0, spin_up)
    for _ in range(6):
        bench.run(0.08).run(LINE_S, lambda _: {"motor_degc": float("nan")},
                            faults=(("motor_degc", "open"),))  # fmt: skip
    assert bench.said() == [("trip", "motor_degc", "loose")]


def test_a_throttle_that_does_nothing_and_one_that_is_never_given() -> None:
    def nothing(_: float) -> dict[str, float]:
        return {"speed_rpm": 0.0, "current_a": 0.4}

    assert Bench().drive(40.0).run(3.0, nothing).said() == [
        ("warning", "throttle", "nothing happens")
    ]
    # A controller may need more than a few percent.
    assert Bench().drive(4.0).run(5.0, nothing).said() == []
    assert Bench().drive(None).run(6.0, nothing).said() == [("warning", "throttle", "never given")]
    planned = Bench().drive(0.0).run(3.0, nothing)
    assert planned.said() == []
    assert [alarm.cause for alarm in planned.guard.check_end()] == ["never given"]
    assert Bench().drive(70.0).run(1.0, spin_up).guard.check_end() == []


def test_a_stand_is_judged_only_by_what_it_has() -> None:
    bare = dataclasses.replace(demo_stand(), channels=(), tachometer=None, limits=Limits())
    bench = Bench(bare)
    assert bench.columns == ()
    assert bench.drive(70.0).run(5.0).said() == []
    only_speed = dataclasses.replace(bare, tachometer=demo_stand().tachometer)
    assert Bench(only_speed).drive(70.0).run(3.0).said() == []
    silent = Bench(only_speed).drive(70.0).run(3.0, lambda _: {"speed_rpm": 0.0})
    assert silent.said() == [("warning", "throttle", "nothing happens")]


def test_nothing_is_judged_before_the_drive_is_on_nor_after_the_stop() -> None:
    bench = Bench()
    bench.run(3.0, lambda _: {"speed_rpm": 0.0, "current_a": 20.0})
    bench.drive(70.0)
    bench.plausibility.coast()
    assert bench.run(3.0, lambda _: {"current_a": -5.0}).said() == []


@pytest.mark.parametrize("column", ["current_a", "voltage_v", "motor_degc"])
def test_the_plain_budget_is_that_of_the_shared_variables(column: str) -> None:
    sampler = Sampler(demo_stand(), HELLO, CHANNELS)
    bound = next(each for each in sampler.bound if each.column == column)
    values: Iterator[float] = iter((1.0, 20.0))
    for value in values:
        # A single reading has a step more than a mean.
        full = sampler.measured({column: value}, single=False)[column].std_dev
        plain = standard_uncertainty(bound, bound.count_for(value), demo_stand().converter)
        assert plain == pytest.approx(full, rel=0.05)


def test_readings_that_are_not_there_break_nothing() -> None:
    nan = float("nan")
    bench = Bench().drive(70.0).run(2.0, spin_up)
    for _ in range(30):
        bench.run(0.07).run(LINE_S, lambda _: {"current_a": nan, "voltage_v": nan})
    bench.run(3.0, lambda _: dict.fromkeys(("current_a", "voltage_v", "speed_rpm"), nan))
    assert bench.said() == []
