"""What the order of the runs lets them show."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.analysis.contrasts import critical
from rig.analysis.order import (
    IN_TURN,
    ONE_AFTER_THE_OTHER,
    SAFE_SHARE,
    THERE_AND_BACK,
    UNKNOWN,
    contrasts,
    order_of,
)


def order(setups: str) -> tuple[str, bool]:
    found = order_of(tuple(setups), tuple(float(i) for i in range(len(setups))), "a", "b")
    return found.kind, found.takes_out_drift


@pytest.mark.parametrize(
    ("setups", "kind", "takes_out_drift"),
    [
        ("ababab", IN_TURN, True),
        ("ababababab", IN_TURN, True),
        ("abba" * 3, IN_TURN, True),
        ("abab", IN_TURN, False),
        ("abba", THERE_AND_BACK, False),
        ("acbacbacb", IN_TURN, True),
        ("aaaaabbbbb", ONE_AFTER_THE_OTHER, False),
        ("ab", ONE_AFTER_THE_OTHER, False),
        ("aaabbbaaa", THERE_AND_BACK, False),
        ("aabbbbbaaa", THERE_AND_BACK, False),
        ("aaaaabbbbbaaaaabbbbb", THERE_AND_BACK, False),
        ("aaacccbbbaaa", THERE_AND_BACK, False),
    ],
)
def test_kinds_of_order(setups: str, kind: str, takes_out_drift: bool) -> None:
    assert order(setups) == (kind, takes_out_drift)


@pytest.mark.parametrize("times", [(0.0, math.nan, 2.0, 3.0), (5.0, 5.0, 5.0, 5.0)])
def test_runs_without_a_time_have_no_order(times: tuple[float, ...]) -> None:
    assert order_of(("a", "b", "a", "b"), times, "a", "b").kind == UNKNOWN


def covered(setups: str, drift: np.ndarray, experiments: int = 1500) -> tuple[float, float]:
    """How often the interval holds the true change of nothing, and lies above it."""
    times = np.arange(float(len(setups)))
    found = order_of(tuple(setups), tuple(times.tolist()), "a", "b")
    noise = np.random.default_rng(3).normal(size=(len(setups), experiments))
    sides = contrasts(found, setups, noise + drift[:, None], times, "a", "b")
    reach = [np.sqrt(np.diag(s.covariance)) * [critical(df) for df in s.df] for s in sides]
    low = np.min([s.estimates - r for s, r in zip(sides, reach, strict=True)], axis=0)
    high = np.max([s.estimates + r for s, r in zip(sides, reach, strict=True)], axis=0)
    return float(((low <= 0.0) & (high >= 0.0)).mean()), float((low > 0.0).mean())


@pytest.mark.parametrize("setups", ["ababababab", "ababab", "abab", "aabbbbbaaa", "aaaabbbbaaaa"])
@pytest.mark.parametrize("size", [1.0, 3.0, 10.0])
def test_no_drift_in_one_direction_passes_for_a_change(setups: str, size: float) -> None:
    """In standard deviations between runs: straight, curved, and a step at each place."""
    u = np.linspace(0.0, 1.0, len(setups))
    steps = [(np.arange(len(setups)) >= place) * 1.0 for place in range(1, len(setups))]
    for shape in (u, u**2, np.sqrt(u), *steps):
        inside, above = covered(setups, size * shape)
        # Of 1,500 experiments, three standard errors: 1.7 and 1.2 points.
        assert inside > 0.93
        assert above < 0.025 + 0.016


def test_in_blocks_a_drift_would_pass() -> None:
    """Why an order one after the other separates nothing: the same step, in A A A B B B."""
    assert covered("aaaaabbbbb", 3.0 * (np.arange(10) >= 5))[1] > 0.9


@settings(max_examples=60, deadline=None)
@given(st.permutations(list("aaaaabbbbb")))
def test_orders_by_lot_are_as_the_t_test_without_a_drift(setups: list[str]) -> None:
    """Where nothing has to be widened and no drift is taken out it is Welch's test, by scipy."""
    times = tuple(float(i) for i in range(10))
    found = order_of(tuple(setups), times, "a", "b")
    if found.kind != IN_TURN or found.takes_out_drift or found.share > SAFE_SHARE:
        return
    values = np.random.default_rng(1).normal(size=(10, 1))
    (contrast,) = contrasts(found, setups, values, np.array(times), "a", "b")
    a, b = (values[[name == setup for name in setups], 0] for setup in "ab")
    low, high = stats.ttest_ind(b, a, equal_var=False).confidence_interval()
    reach = critical(float(contrast.df[0])) * math.sqrt(contrast.covariance[0, 0])
    assert contrast.estimates[0] - reach == pytest.approx(low)
    assert contrast.estimates[0] + reach == pytest.approx(high)
