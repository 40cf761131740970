"""Inverse-time over-current against the published times."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.stand.model import OverCurrent
from rig.stand.overcurrent import CURVES, InverseTime, trip_time_s

# IEC 60255-151 (A to F of its annex; D to F also IEEE C37.112): seconds at a time multiplier
# of 1, for currents of 2, 5, 10 and 20 times the pickup.
TIMES = {
    "A": (10.02903, 4.27972, 2.97060, 2.26736),
    "B": (13.50000, 3.37500, 1.50000, 0.71053),
    "C": (26.66667, 3.33333, 0.80808, 0.20050),
    "D": (3.80325, 1.68833, 1.20676, 0.94806),
    "E": (7.02767, 1.30808, 0.68908, 0.54015),
    "F": (9.52170, 1.29670, 0.40655, 0.19238),
}
CASES = [
    (curve, multiple, seconds)
    for curve, times in TIMES.items()
    for multiple, seconds in zip((2, 5, 10, 20), times, strict=True)
]


def settings(curve: str, pickup_a: float = 40.0, multiplier: float = 1.0) -> OverCurrent:
    assert curve in CURVES
    return OverCurrent(curve, pickup_a, multiplier)  # type: ignore[arg-type]


@pytest.mark.parametrize(("curve", "multiple", "seconds"), CASES)
def test_published_times(curve: str, multiple: int, seconds: float) -> None:
    assert trip_time_s(settings(curve), 40.0 * multiple) == pytest.approx(seconds, abs=1e-5)
    slow = settings(curve, multiplier=3.0)
    assert trip_time_s(slow, -40.0 * multiple) == pytest.approx(3 * seconds, abs=3e-5)


@pytest.mark.parametrize(("curve", "multiple", "seconds"), CASES)
@pytest.mark.parametrize("line_s", [0.001, 0.02])
def test_the_integral_at_constant_current_gives_the_published_time(
    curve: str, multiple: int, seconds: float, line_s: float
) -> None:
    inverse = InverseTime(settings(curve))
    lines = 0
    while inverse.used < 1.0:
        inverse.advance(line_s, 40.0 * multiple)
        lines += 1
    assert lines * line_s == pytest.approx(seconds, abs=1.01 * line_s)


def test_a_current_in_steps_adds_up() -> None:
    """Half the time at 5 times the pickup and half of that at 2 times is a whole trip."""
    inverse = InverseTime(settings("B"))
    inverse.advance(3.375 / 2, 200.0)
    assert inverse.used == pytest.approx(0.5)
    inverse.advance(13.5 / 2, 80.0)
    assert inverse.used == pytest.approx(1.0)


def test_below_the_pickup_it_cools_and_at_the_pickup_it_stands() -> None:
    inverse = InverseTime(settings("E"))
    inverse.advance(7.02767 / 2, 80.0)
    half = inverse.advance(5.0, 40.0)
    assert half == pytest.approx(0.5, abs=1e-5)
    # The reset time of this curve is 21.6 s at no current (from memory).
    assert inverse.advance(21.6 / 4, 0.0) == pytest.approx(0.25, abs=1e-5)
    assert inverse.advance(100.0, 0.0) == 0.0


@given(st.sampled_from("ABCDEF"), st.floats(1.0, 1e6))
def test_no_current_over_the_pickup_breaks_the_arithmetic(curve: str, multiple: float) -> None:
    chosen = settings(curve, pickup_a=1.0)
    seconds = trip_time_s(chosen, multiple)
    assert seconds > 0.0
    assert math.isfinite(seconds) == (multiple > 1.0)
    assert trip_time_s(chosen, math.nextafter(1.0, 2.0)) > 1000.0
