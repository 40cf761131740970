"""Critical values against published constants and an independent integration."""

import math
import time

import numpy as np
import pytest
from scipy import stats

from rig.analysis.sequential import spending
from rig.analysis.sequential.spending import (
    critical_values,
    crossing,
    obrien_fleming_spending,
    power_spending,
)

# C. Jennison and B. W. Turnbull, Group Sequential Methods (2000), two-sided 0.05, K = 2 to 5
# equally spaced looks. From memory.
POCOCK = {2: 2.178, 3: 2.289, 4: 2.361, 5: 2.413}
OBRIEN_FLEMING = {2: 1.977, 3: 2.004, 4: 2.024, 5: 2.040}


@pytest.mark.parametrize(("looks", "constant"), POCOCK.items())
def test_pocock(looks: int, constant: float) -> None:
    def passed(c: float) -> float:
        return 2.0 * crossing(range(1, looks + 1), [c] * looks)[-1]

    # Twice one side counts the paths twice that pass both bounds: up to 1e-5 of 0.05.
    assert passed(constant + 6e-4) < 0.05 < passed(constant - 6e-4)


@pytest.mark.parametrize(("looks", "constant"), OBRIEN_FLEMING.items())
def test_obrien_fleming(looks: int, constant: float) -> None:
    def passed(c: float) -> float:
        bounds = [c * math.sqrt(looks / k) for k in range(1, looks + 1)]
        return 2.0 * crossing(range(1, looks + 1), bounds)[-1]

    assert passed(constant + 6e-4) < 0.05 < passed(constant - 6e-4)


def test_lan_demets_obrien_fleming_five_looks() -> None:
    """Widely printed for two-sided 0.05, K = 5; from memory."""
    times = [0.2, 0.4, 0.6, 0.8, 1.0]
    found = critical_values(times, [obrien_fleming_spending(t, 0.025) for t in times])
    assert found == pytest.approx([4.8769, 3.3570, 2.6803, 2.2898, 2.0310], abs=6e-5)


def test_kim_demets_power_and_linear_spending() -> None:
    """Values in the unit tests of a group-sequential R package on CRAN; one side 0.03."""
    times = [0.3, 0.7, 1.0]
    found = critical_values(times, [power_spending(t, 0.03, 2.2) for t in times])
    assert found == pytest.approx([2.8594012, 2.2435708, 1.9735737], abs=1e-6)
    times = [0.2, 0.4, 1.0]
    found = critical_values(times, [power_spending(t, 0.03, 1.0) for t in times])
    assert found == pytest.approx([2.5121443, 2.4228747, 2.0280392], abs=1e-6)


def test_obrien_fleming_three_looks_to_seven_digits() -> None:
    """From the same package: 3.4710914 2.4544323 2.0040356 use up 0.025 of one side."""
    assert crossing([1, 2, 3], [3.4710914, 2.4544323, 2.0040356])[-1] == pytest.approx(
        0.025, abs=3e-6
    )


@pytest.mark.parametrize(("most", "expected"), [
    (5, [2.3656, 2.2598, 2.1055]),
    (10, [2.8408, 2.7750, 2.6537, 2.5410, 2.4381, 2.3434, 2.2553, 2.1727]),
])  # fmt: skip
def test_our_own_rule_stays(most: int, expected: list[float]) -> None:
    """Recomputed, not published: rho 2, one side 0.025, looks at 3 to N of N."""
    times = [k / most for k in range(3, most + 1)]
    found = critical_values(times, [power_spending(t, 0.025) for t in times])
    assert found == pytest.approx(expected, abs=6e-5)


def test_against_the_normal_integral() -> None:
    """Staying below all bounds, by scipy's multivariate normal distribution."""
    information = np.array([0.27, 0.55, 1.0])
    spent = [power_spending(t, 0.02) for t in information]
    critical = critical_values(information.tolist(), spent)
    shared = np.minimum.outer(information, information)
    correlation = shared / np.sqrt(np.outer(information, information))
    below = stats.multivariate_normal(cov=correlation, seed=1).cdf(critical)
    assert 1.0 - below == pytest.approx(0.02, abs=2e-5)


def test_power_is_that_of_a_normal_test_with_one_look() -> None:
    assert crossing([4.0], [1.96], effect=1.5)[0] == pytest.approx(stats.norm.sf(1.96 - 3.0))


def test_forty_eight_nodes_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    times = [k / 20 for k in range(3, 21)]
    spent = [power_spending(t, 0.02) for t in times]
    coarse = critical_values(times, spent)
    monkeypatch.setattr(spending, "NODES", 150)
    _forget()
    try:
        assert critical_values(times, spent) == pytest.approx(coarse, abs=1e-8)
    finally:
        _forget()


def test_a_look_without_anything_to_spend_cannot_decide() -> None:
    assert critical_values([0.4, 0.6, 1.0], [0.01, 0.01, 0.02])[1] == math.inf


def test_information_must_grow() -> None:
    with pytest.raises(ValueError, match="grow"):
        critical_values([0.5, 0.5], [0.01, 0.02])


def test_critical_values_take_under_20_ms() -> None:
    times = [k / 10 for k in range(3, 11)]
    spent = [power_spending(t, 0.02) for t in times]
    taken = []
    for _ in range(5):
        _forget()
        began = time.perf_counter()
        critical_values(times, spent)
        taken.append(time.perf_counter() - began)
    assert min(taken) < 0.020


def _forget() -> None:
    for cached in (spending._state, spending._gauss_legendre):
        cached.cache_clear()
