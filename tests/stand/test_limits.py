"""Samples and time in, alarms out."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.stand.limits import CLIPPED_IN_A_ROW, Alarm, Guard
from rig.stand.model import (
    ChannelSettings,
    Digital,
    Level,
    Limits,
    OverCurrent,
    PositiveParameter,
    Stand,
)
from rig.stand.sampler import Sample
from rig.stand.settings import demo_stand

COLUMNS = ("current_a", "voltage_v", "power_w", "motor_degc", "speed_rpm")
LINE_S = 0.005


def guard(limits: Limits) -> Guard:
    return Guard(replace(demo_stand(), limits=limits), COLUMNS)


def level(key: str, **levels: float) -> Limits:
    return Limits(levels=((key, Level(**levels)),))


def sample(
    current: float = 20.0,
    voltage: float = 22.0,
    motor: float = 40.0,
    speed: float = 9000.0,
    *,
    clipped: Sequence[str] = (),
    faults: Sequence[tuple[str, str]] = (),
) -> Sample:
    values = (current, voltage, current * voltage, motor, speed)
    return Sample(0.0, values, tuple(clipped), tuple(faults), 1)


def run(judge: Guard, samples: Sequence[Sample], *, lost: int = 0) -> list[Alarm]:
    alarms = []
    for i, row in enumerate(samples):
        alarms += judge.check(i * LINE_S, row, lost)
    return alarms


def words(alarms: Sequence[Alarm]) -> list[tuple[str, str, str]]:
    return [(alarm.severity, alarm.quantity, alarm.cause) for alarm in alarms]


@pytest.mark.parametrize(
    ("key", "field", "value", "cause"),
    [
        ("current", "current", 90.0, "over"),
        ("voltage", "voltage", 28.0, "over"),
        ("voltage", "voltage", 15.0, "under"),
        ("motor", "motor", 120.0, "over"),
        ("speed", "speed", 25_000.0, "over"),
        ("power", "current", 80.0, "over"),
    ],
)
def test_each_quantity_warns_and_trips(key: str, field: str, value: float, cause: str) -> None:
    beyond = sample(**{field: value})
    reading = dict(zip(COLUMNS, beyond.values, strict=True))[
        next(column for column in COLUMNS if column.startswith(key))
    ]
    sides = {f"warn_{cause}": reading, f"trip_{cause}": reading}
    factor = 0.9 if cause == "over" else 1.1
    sides = dict.fromkeys(sides, reading * factor)
    judge = guard(level(key, hold_s=0.02, **sides))
    alarms = run(judge, [sample()] * 3 + [beyond] * 10)
    assert [alarm.severity for alarm in alarms] == ["warning", "trip"]
    trip = alarms[1]
    assert trip.cause == cause and trip.value == pytest.approx(reading)
    assert trip.limit == pytest.approx(reading * factor)
    # Beyond from the fourth line on, and held for 0.02 s.
    assert trip.time_s == pytest.approx(3 * LINE_S + 0.02)
    assert trip == judge.tripped
    assert trip.text.endswith(".") and f"{cause} the limit" in trip.text


def test_a_warning_clears_by_the_hysteresis_only() -> None:
    judge = guard(level("motor", warn_over=80.0, hysteresis=2.0))
    course = [79.0, 81.0, 79.0, 81.0, 78.5, 77.9, 77.0, 80.5]
    alarms = run(judge, [sample(motor=degc) for degc in course])
    assert [(alarm.severity, alarm.value) for alarm in alarms] == [
        ("warning", 81.0),
        ("cleared", 77.9),
        ("warning", 80.5),
    ]


readings = st.lists(st.floats(0.0, 200.0, allow_nan=False), min_size=1, max_size=80)


@given(readings, st.floats(50.0, 150.0), st.integers(0, 10))
def test_trips_exactly_when_held_beyond(course: list[float], trip: float, held: int) -> None:
    """Never below the level, always when above for the hold, and once only."""
    # Lines come at whole seconds here, so that the sums are exact.
    judge = guard(level("current", trip_over=trip, hold_s=float(held)))
    alarms = [
        alarm
        for second, amps in enumerate(course)
        for alarm in judge.check(float(second), sample(current=amps))
    ]
    above, due = 0, None
    for second, amps in enumerate(course):
        above = above + 1 if amps > trip else 0
        if due is None and above > held:
            due = float(second)
    assert len(alarms) == (due is not None)
    if due is not None:
        assert alarms[0].time_s == due
        assert alarms[0].value is not None and alarms[0].value > trip


@given(readings, st.floats(0.0, 30.0))
def test_warnings_and_clearings_alternate(course: list[float], hysteresis: float) -> None:
    judge = guard(level("current", warn_over=100.0, hysteresis=hysteresis))
    alarms = run(judge, [sample(current=amps) for amps in course])
    kinds = [alarm.severity for alarm in alarms]
    assert kinds == (["warning", "cleared"] * len(kinds))[: len(kinds)]
    for alarm in alarms:
        assert alarm.value is not None
        beyond = alarm.value > 100.0
        assert beyond if alarm.severity == "warning" else alarm.value < 100.0 - hysteresis


def test_a_reading_that_is_not_there_neither_trips_nor_clears() -> None:
    judge = guard(level("motor", warn_over=80.0))
    assert len(run(judge, [sample(motor=90.0)])) == 1
    assert run(judge, [sample(motor=math.nan)] * 5) == []


def test_a_flat_pack_trips_from_the_start_and_a_motor_at_rest_does_not_run_slow() -> None:
    flat = guard(Limits(cells=6, cell_warn_v=3.5, cell_trip_v=3.2))
    assert words(run(flat, [sample(voltage=18.0)])) == [
        ("warning", "voltage_v", "cell under-voltage"),
        ("trip", "voltage_v", "cell under-voltage"),
    ]
    slow = guard(level("speed", warn_under=3000.0, trip_under=2000.0))
    course = [0.0] * 20 + [2500.0, 3500.0, 2500.0, 1500.0]
    alarms = run(slow, [sample(speed=rpm) for rpm in course])
    assert [(alarm.severity, alarm.value) for alarm in alarms] == [
        ("warning", 2500.0),
        ("trip", 1500.0),
    ]


def test_the_end_of_scale_counts_as_over_the_limit() -> None:
    judge = guard(level("current", trip_over=500.0))
    full = sample(current=133.0, clipped=["current_a"])
    assert run(judge, [full, full, sample(), full, full]) == []
    alarms = run(judge, [full] * CLIPPED_IN_A_ROW)
    assert words(alarms) == [("trip", "current_a", "clipped")]
    assert run(guard(Limits()), [full] * 10) == []


@pytest.mark.parametrize("word", ["open", "shorted"])
def test_a_faulty_thermistor_trips_after_its_hold(word: str) -> None:
    judge = guard(Limits())
    bad = sample(motor=math.nan, faults=[("motor_degc", word)])
    once = run(judge, [bad, sample(), bad, sample()])
    assert once == []
    assert words(run(judge, [bad] * 20)) == [("trip", "motor_degc", word)]


def test_a_held_speed_is_no_sensor_fault() -> None:
    judge = guard(level("speed", trip_over=20_000.0))
    assert run(judge, [sample(faults=[("speed_rpm", "glitch")])] * 50) == []


def test_inverse_time_warns_at_half_and_trips_at_the_curves_time() -> None:
    """IEC 60255-151 curve B at twice the pickup: 13.5 s, here with a multiplier of 0.1."""
    judge = guard(Limits(overcurrent=OverCurrent("B", 40.0, 0.1)))
    alarms = run(judge, [sample(current=80.0)] * 300)
    assert words(alarms) == [
        ("warning", "current_a", "inverse-time"),
        ("trip", "current_a", "inverse-time"),
    ]
    assert [alarm.time_s for alarm in alarms] == pytest.approx([0.675, 1.35], abs=1.5 * LINE_S)


def test_a_short_peak_passes() -> None:
    judge = guard(Limits(overcurrent=OverCurrent("C", 40.0, 1.0)))
    course = ([sample(current=200.0)] * 100 + [sample(current=5.0)] * 4000) * 4
    assert run(judge, course) == []


def test_stale_data_and_the_longest_run() -> None:
    judge = guard(Limits(stale_s=0.3, longest_run_s=100.0))
    assert judge.check_time(50.0, 49.8, 0.0) == []
    warned = judge.check_time(91.0, 90.9, 0.0) + judge.check_time(92.0, 91.9, 0.0)
    assert words(warned) == [("warning", "run", "longest run")]
    assert words(judge.check_time(100.0, 99.9, 0.0)) == [("trip", "run", "longest run")]
    silent = guard(Limits(stale_s=0.3))
    assert words(silent.check_time(10.0, 9.6, None)) == [("trip", "link", "stale")]
    assert silent.check_time(11.0, 9.6, None) == []


def test_lost_lines() -> None:
    few = guard(Limits(lost_fraction=0.2))
    for i in range(2000):
        assert few.check(i * LINE_S, sample(), 1 if i % 10 == 0 else 0) == []
    many = guard(Limits(lost_fraction=0.2))
    alarms = run(many, [sample()] * 1000, lost=1)
    assert words(alarms) == [("trip", "link", "lines lost")]
    assert alarms[0].value == pytest.approx(0.5)
    # A burst is forgotten after its two seconds.
    burst = guard(Limits(lost_fraction=0.2))
    assert run(burst, [sample()] * 500) == []
    assert burst.check(500 * LINE_S, sample(), 60) == []
    assert [burst.check((501 + i) * LINE_S, sample(), 0) for i in range(900)] == [[]] * 900


def test_a_reading_that_stands_still_while_current_flows() -> None:
    limits = Limits(stuck_s=2.0)

    def course(lines: int, **fixed: float) -> list[Sample]:
        moving = [
            {
                "current": 20.0 + i % 3,
                "voltage": 22.0 + i % 2 / 100,
                "motor": 40.0 + i % 2 / 100,
            }
            for i in range(lines)
        ]
        return [sample(**(row | fixed)) for row in moving]

    assert run(guard(limits), course(1000)) == []
    # At rest everything may stand still.
    assert run(guard(limits), course(1000, current=0.0, motor=25.0)) == []
    alarms = run(guard(limits), course(1000, motor=40.0))
    assert words(alarms) == [("trip", "motor_degc", "stuck")]
    assert alarms[0].time_s == pytest.approx(2.0, abs=2 * LINE_S)
    assert words(run(guard(limits), course(1000, current=20.0))) == [("trip", "current_a", "stuck")]
    # A digital sensor's coarse steps may stand still at any settled temperature.
    digital = ChannelSettings("motor", "motor", Digital(PositiveParameter(0.0625)))
    coarse = Guard(Stand("x", channels=(digital,), limits=limits), COLUMNS)
    assert run(coarse, course(1000, motor=40.0)) == []


def test_the_words_of_an_alarms_state() -> None:
    limits = Limits(
        levels=(
            ("motor", Level(warn_over=80.0)),
            ("current", Level(trip_over=90.0)),
        )
    )
    judge = guard(limits)
    run(judge, [sample(motor=85.0)])
    assert [active.state for active in judge.active] == ["unacknowledged"]
    run(judge, [sample()])
    assert [active.state for active in judge.active] == ["returned to normal, unacknowledged"]
    judge.acknowledge()
    assert judge.active == ()
    run(judge, [sample(motor=85.0, current=95.0)])
    judge.acknowledge()
    assert [active.state for active in judge.active] == ["acknowledged", "latched, acknowledged"]
    run(judge, [sample()])
    assert [active.state for active in judge.active] == ["latched, acknowledged"]


def test_the_first_trip_latches() -> None:
    limits = Limits(levels=(("motor", Level(trip_over=80.0)), ("current", Level(trip_over=90.0))))
    judge = guard(limits)
    alarms = run(judge, [sample(current=95.0), sample(), sample(motor=90.0), sample(current=99.0)])
    assert words(alarms) == [("trip", "current_a", "over")]
    assert judge.tripped == alarms[0]


def test_limits_on_columns_that_are_not_measured_are_left_alone() -> None:
    stand = Stand("bare", limits=level("torque", trip_over=1.0))
    judge = Guard(stand, ("speed_rpm",))
    assert judge.check(0.0, Sample(0.0, (9000.0,), (), (), 0)) == []


def test_the_stop_is_called_once_and_before_the_trip_is_put_into_words() -> None:
    seen: list[Alarm | None] = []
    limits = Limits(levels=(("current", Level(warn_over=30.0, trip_over=40.0)),))
    judge = Guard(
        replace(demo_stand(), limits=limits), COLUMNS, on_trip=lambda: seen.append(judge.tripped)
    )
    assert words(run(judge, [sample(35.0)])) == [("warning", "current_a", "over")]
    assert seen == []
    run(judge, [sample(50.0)] * 3 + [sample(60.0, clipped=["current_a"])] * 5)
    assert seen == [None]
    assert judge.tripped is not None
