"""The answer that the sample captures give, against what the simulator knows to be true."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from rig.analysis.answers import Comparison, Question
from rig.demo import TIMINGS_DEG
from rig.review import compare
from tests.recorder.test_trips import Bench, demo_board, plan

SAMPLES = Path(__file__).parents[2] / "sample_captures"
SEEDS = {"early": (1, 3, 5, 7, 9), "late": (2, 4, 6, 8, 10)}
"""Those of `rig.demo.make_samples`."""


@pytest.fixture(scope="module")
def item() -> Comparison:
    return compare([SAMPLES], "late", Question(worth_pct=1.0)).variants[0]


def truth(setup: str, seed: int) -> tuple[float, float, float]:
    """Speed, current and power of the steady part of a run with that seed: logarithms."""
    bench = Bench(demo_board(TIMINGS_DEG[setup], seed=seed))
    receive, seen = bench.board.receive, []

    def watch(data: bytes) -> None:
        receive(data)
        now = bench.board.truth
        if bench.session.state.value == "running":
            seen.append((now.time_s, now.speed_rpm, now.current_a, now.voltage_v))

    bench.board.receive = watch  # type: ignore[method-assign]
    bench.run(plan(throttle=((70.0, 3.0),), soak_s=0.0))
    rows = np.array(seen)
    steady = rows[rows[:, 0] > rows[0, 0] + 1.0]
    _, speed, current, voltage = steady.T
    means = speed.mean(), current.mean(), (current * voltage).mean()
    return tuple(map(math.log, means))  # type: ignore[return-value]


@pytest.fixture(scope="module")
def true_change() -> dict[str, float]:
    sides = {
        setup: np.mean([truth(setup, seed) for seed in seeds], axis=0)
        for setup, seeds in SEEDS.items()
    }
    speed, current, power = sides["early"] - sides["late"]
    logs = {"speed_rpm": speed, "current_a": current, "power_w": power}
    # The simulated rotor takes power with the cube of speed, by its own definition.
    logs["efficiency"] = 3.0 * speed - power
    return {name: 100.0 * math.expm1(value) for name, value in logs.items()}


@pytest.mark.parametrize("quantity", ["speed_rpm", "current_a", "power_w"])
def test_the_true_change_lies_in_the_interval(
    item: Comparison, true_change: dict[str, float], quantity: str
) -> None:
    change = item.change(quantity)
    assert change is not None and change.ci95 is not None
    low, high = change.ci95
    assert low <= true_change[quantity] <= high
    # A count of linearity error, which does not cancel, is most of the current's.
    assert high - low < (0.5 if quantity == "speed_rpm" else 2.5)


def test_the_efficiency_fell_as_it_truly_did(
    item: Comparison, true_change: dict[str, float]
) -> None:
    assert item.efficiency.ci95 is not None
    low, high = item.efficiency.ci95
    assert low <= true_change["efficiency"] <= high < 0.0


def test_it_is_said_in_words_that_a_tester_uses(item: Comparison) -> None:
    assert item.verdict.word == "worth it"
    assert "Speed changed by +1.59 %" in item.verdict.sentence
    assert "Efficiency changed by -1.1" in item.verdict.sentence
    assert "Current changed by +6." in item.verdict.sentence
