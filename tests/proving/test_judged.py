"""What a check says of what it saw, by tables."""

from __future__ import annotations

import math

import pytest

from rig.proving import judged
from rig.recorder.messages import Ended, Seen

DONE = Ended("done", 0, "the run is complete")
STEP_A = 0.13
"""One step of the demo stand's shunt: 5 V / 1024 / 50 / 0.75 milliohm."""


@pytest.mark.parametrize("pulses", [1, 2, 3, 4, 14])
def test_half_all_and_double_are_told_apart_by_a_hand_that_is_one_edge_off(pulses: int) -> None:
    turns = judged.turns_to_ask(pulses)
    for off in (-1, 0, 1):
        assert judged.turned(turns * pulses + off, pulses, turns).good is True
        half = judged.turned(turns * pulses // 2 + off, pulses, turns)
        assert half.good is False and "half" in half.words
        double = judged.turned(2 * turns * pulses + off, pulses, turns)
        assert double.good is False and "double" in double.words
        assert "If you did not turn it" in half.words
    dead = judged.turned(0, pulses, turns)
    assert dead.good is False and "dead" in dead.words


@pytest.mark.parametrize(
    ("rest_a", "driven_a", "good", "word"),
    [
        (0.1, 0.6, True, "driven"),
        (0.1, -0.4, False, "reversed"),  # a bipolar amplifier, shunt reversed
        (0.0, 0.0, False, "without it"),  # a unipolar one
        (0.1, 0.1 + 1.9 * STEP_A, False, "without it"),
        (0.1, math.nan, None, "no reading"),
    ],
)
def test_the_direction_of_the_current(
    rest_a: float, driven_a: float, good: bool | None, word: str
) -> None:
    found = judged.direction(rest_a, driven_a, STEP_A)
    assert found.good is good and word in found.words


@pytest.mark.parametrize(
    ("speed_rpm", "given", "good"),
    [
        (1704.0, 712.0, True),  # 710 rpm per volt at 10 % of 24 V
        (1704.0, None, None),
        (3408.0, 712.0, False),
        (852.0, 712.0, False),
        (0.0, 712.0, None),
        (math.nan, 712.0, None),
    ],
)
def test_rpm_per_volt_shows_edges_counted_double_and_half(
    speed_rpm: float, given: float | None, good: bool | None
) -> None:
    assert judged.rpm_per_volt(speed_rpm, 24.0, 10.0, given).good is good


@pytest.mark.parametrize(
    ("driven_v", "good"), [(23.5, True), (24.0, None), (24.5, False), (math.nan, None)]
)
def test_the_voltage_may_fall_and_must_not_rise(driven_v: float, good: bool | None) -> None:
    assert judged.sag(24.0, driven_v, 0.03).good is good


@pytest.mark.parametrize(
    ("seen", "proven", "word"),
    [
        (Seen("stop", 0.01, 0.08), True, ""),
        (Seen("stop", 1.48, 1.48), False, "too late"),
        (Seen("silence", 0.51, 0.6), True, ""),
        (Seen("silence", 0.75, 0.8), False, "too late"),
        (Seen("silence", None, None), False, "did not cut"),
        (Seen("silence", 0.5, None), False, "did not fall"),
        (Seen("limit", 0.03, 0.1), True, ""),
        (Seen("limit", 0.3, 0.4), False, "too late"),
        (Seen("stop input", 0.0, 0.05), True, ""),
        (None, False, "not tried"),
    ],
)
def test_a_way_is_proven_by_a_cut_in_time_and_a_fall(
    seen: Seen | None, proven: bool, word: str
) -> None:
    ended = Ended("done", 0, "the run is complete", seen=seen)
    way = judged.way_of(ended, line_hz=100)
    assert way.proven is proven and word in way.words


def test_a_limit_on_the_edges_has_the_time_to_measure_them() -> None:
    ended = Ended("done", 0, "", seen=Seen("limit", 0.3, 0.4))
    assert judged.way_of(ended, 100, on_edges=True).proven


def test_a_drive_that_did_not_end_well_proves_nothing() -> None:
    ended = Ended("link lost", 4, "the port is gone", seen=Seen("stop", 0.01, 0.05))
    assert judged.way_of(ended, 100).proven is False
