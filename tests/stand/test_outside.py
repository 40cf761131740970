"""The stand's formulas against published tables. Sources are named beside each check."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from rig.protocol.records import Channel, Hello
from rig.stand.model import OverCurrent
from rig.stand.overcurrent import InverseTime, trip_time_s
from rig.stand.sampler import Sampler
from rig.stand.sensors import plain, platinum_degc
from rig.stand.settings import demo_stand, steinhart_hart


@pytest.mark.parametrize(
    ("degc", "ohm"),
    # IEC 60751, Pt100 table values to 0.01 ohm.
    [(-200, 18.52), (-100, 60.26), (-50, 80.31), (-20, 92.16), (0, 100.0), (20, 107.79),
     (50, 119.40), (100, 138.51), (150, 157.33), (200, 175.86), (400, 247.09), (850, 390.48)],
)  # fmt: skip
def test_platinum_by_iec_60751(degc: float, ohm: float) -> None:
    assert platinum_degc(ohm / 100.0) == pytest.approx(degc, abs=0.02)


# A component handbook's table of an NTC of 10 kohm, B25/85 = 3977 K, as quoted by a public
# article; a B value alone is exact at 25 and 85 degC only.
@pytest.mark.parametrize(
    ("ohm", "degc", "tolerance"),
    [(10_000, 25.0, 0.005), (1_070, 85.0, 0.02), (32_554, 0.0, 0.8), (338.7, 125.0, 1.5)],
)
def test_thermistor_by_its_b_value(ohm: float, degc: float, tolerance: float) -> None:
    from rig.stand.sensors import formula_of

    sensor = demo_stand().channels[2].sensor
    x = 1024.0 * ohm / (ohm + 10_000.0)
    assert formula_of(sensor)(x, 1024.0, plain(sensor)) == pytest.approx(degc, abs=tolerance)


def test_steinhart_hart_through_three_points() -> None:
    # Widely published worked example: 25 k at 5, 10 k at 25, 4 k at 45 degC.
    fit = steinhart_hart([[25_000, 5], [10_000, 25], [4_000, 45]])
    assert fit is not None
    assert fit == pytest.approx((2.108508173e-3, 0.7979204727e-4, 6.535076315e-7), rel=1e-8)


@pytest.mark.parametrize(
    ("curve", "times_s"),
    # IEC 60255-151 / IEEE C37.112, seconds at 2, 5, 10 and 20 times the pickup.
    [("A", (10.02903, 4.27972, 2.97060, 2.26736)), ("B", (13.5, 3.375, 1.5, 0.71053)),
     ("C", (26.66667, 3.33333, 0.80808, 0.20050)), ("D", (3.80325, 1.68833, 1.20676, 0.94806)),
     ("E", (7.02767, 1.30808, 0.68908, 0.54015)), ("F", (9.52170, 1.29670, 0.40655, 0.19238))],
)  # fmt: skip
def test_inverse_time_curves_and_their_integral(curve: str, times_s: tuple[float, ...]) -> None:
    settings = OverCurrent(curve, pickup_a=10.0)  # type: ignore[arg-type]
    for multiple, expected_s in zip((2, 5, 10, 20), times_s, strict=True):
        assert trip_time_s(settings, 10.0 * multiple) == pytest.approx(expected_s, abs=1e-5)
        relay, elapsed_s = InverseTime(settings), 0.0
        while relay.advance(0.001, 10.0 * multiple) < 1.0:
            elapsed_s += 0.001
        assert elapsed_s == pytest.approx(expected_s, abs=0.002)
    assert trip_time_s(settings, 10.0) == math.inf


def bound() -> Sampler:
    hello = Hello(1, "b", "1", 1, 2_000_000, 200, frozenset("S"), 5)
    labels = ("shunt", "pack", "motor", "controller", "cells")
    channels = [
        Channel(i, "x", label, 1024, 16, frozenset("L"), 0) for i, label in enumerate(labels)
    ]
    return Sampler(demo_stand(), hello, channels)


def test_a_component_budget_agrees_with_a_monte_carlo() -> None:
    """The GUM's linear propagation against drawn components (JCGM 101:2008, in numpy)."""
    rng, n = np.random.default_rng(5), 200_000

    def tolerance(value: float, pct: float) -> np.ndarray:
        return rng.uniform(value * (1 - pct / 100), value * (1 + pct / 100), n)

    volts = 50.0 * 0.00075 * 50.0 + rng.normal(0, 5.0 / 1024 / math.sqrt(12 * 16), n)
    reference = tolerance(5.0, 0.2) / 5.0
    drawn = (volts * reference - rng.uniform(-0.01, 0.01, n)) / (
        tolerance(50.0, 0.5) * tolerance(0.00075, 0.25)
    )
    assert bound().uncertainty("current_a", 50.0) == pytest.approx(drawn.std(), rel=0.02)


def test_quantisation_is_a_step_over_root_twelve() -> None:
    """JCGM 100:2008 F.2.2.1: 10 bit at 5 V, u = 1.409546556 mV for one conversion."""
    assert 5.0 / 1024 / math.sqrt(12.0) * 1000.0 == pytest.approx(1.409546556)
    sampler = bound()
    exact = SimpleNamespace(u=sampler.uncertainty("voltage_v", 1e-6))
    # At no voltage only the steps are left: 16 conversions, divider 6.6 to 1.
    assert exact.u == pytest.approx(1.409546556e-3 / 4.0 * 6.6, rel=1e-3)


def test_board_limits_bracket_the_trip_levels() -> None:
    sampler = bound()
    limits = {limit.where: limit for limit in sampler.count_limits()}
    full = 16 * 1024 * 0.00075 * 50.0 / 5.0
    assert limits[0].high == math.ceil(100.0 * full)
    assert limits["e"].high == math.ceil(20_000 / 60 * 2)
    # A thermistor at ground: hotter is a lower count.
    ohm = 10_000 * math.exp(3977 * (1 / 373.15 - 1 / 298.15))
    assert limits[2].low == math.floor(16 * 1024 * ohm / (ohm + 10_000))
    assert limits[2].high is None
