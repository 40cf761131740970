"""A few good runs on every stand, and the faults of the wiring that must stop one."""

from __future__ import annotations

import dataclasses

import pytest

from tests.good_runs import STANDS, carried_out, drawn, good_run, with_fault

SOON_S = 0.55
"""Half a second, and one look: what blinds a limit is noticed so soon after the throttle."""


@pytest.mark.parametrize("seed", range(500, 505))
def test_no_reading_of_a_good_run_is_doubted(seed: int) -> None:
    assert good_run(seed).doubts == []


@pytest.mark.parametrize("stand", STANDS)
@pytest.mark.parametrize(
    ("fault", "quantity"),
    [
        ("shunt-reversed", "current_a"),
        ("shunt-open", "current_a"),
        ("tachometer-dead", "speed_rpm"),
        ("motor-stuck", "motor_degc"),
    ],
)
def test_a_fault_that_blinds_a_limit_stops_the_run(fault: str, quantity: str, stand: str) -> None:
    run = with_fault(3, fault, stand)
    trip = next(alarm for alarm in run.alarms if alarm.severity == "trip")
    assert (run.outcome, trip.quantity) == ("tripped", quantity)
    assert trip.time_s - run.driven_s < SOON_S


@pytest.mark.parametrize(
    ("fault", "severity", "cause"),
    [
        ("tachometer-half", "trip", "too slow"),
        ("motor-loose@0.2", "trip", "loose"),
        ("ground-offset", "warning", "rises with current"),
        ("ripple-aliased", "warning", "swings"),
    ],
)
def test_other_faults_of_the_wiring_are_named(fault: str, severity: str, cause: str) -> None:
    run = with_fault(3, fault, "marram")
    assert (severity, cause) in [(alarm.severity, alarm.cause) for alarm in run.alarms]


def test_a_run_by_hand_has_its_throttle_late() -> None:
    run, settings = drawn(11, "marram")
    run.abilities, run.throttle = "SLZ", [(50.0, 1.0)]
    assert carried_out(run, dataclasses.replace(settings, abilities="SLZ")).doubts == []
