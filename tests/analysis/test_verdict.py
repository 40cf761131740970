"""The word on top, and what it knows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from rig.analysis.answers import Bound, Comparison, Question
from rig.analysis.comparison import compare
from rig.analysis.runs import Run
from rig.analysis.verdict import CANNOT_TELL, FASTER, NO_DIFFERENCE, NOT_WORTH, SLOWER, WORTH
from rig.errors import SettingsError

WOBBLE = (0.0, 0.001, -0.001, 0.0005, -0.0005)
"""How runs of one setup differ, in parts of the reading."""


def made(gain: float, order: str = "ababababab", current: float = 0.05, **more: float) -> list[Run]:
    """Runs of a baseline `a` and a variant `b` that is `gain` faster."""
    counts = {"a": 0, "b": 0}
    runs = []
    for place, setup in enumerate(order):
        wobble = WOBBLE[counts[setup] % len(WOBBLE)]
        counts[setup] += 1
        is_b = setup == "b"
        figures = {
            "speed_rpm": 9000.0 * (1.0 + gain * is_b + wobble),
            "current_a": 30.0 * (1.0 + current * is_b + 2.0 * wobble),
            "voltage_rest_v": 25.0,
            "motor_degc_start": 21.0,
            "motor_degc_rise": 30.0 + 5.0 * is_b + 100.0 * wobble,
        }
        figures["power_w"] = 24.0 * figures["current_a"]
        figures |= {key: value for key, value in more.items() if is_b}
        runs.append(Run(f"{setup}{place}", setup, "done", figures, began_s=60.0 * place))
    return runs


def judged(runs: Sequence[Run], question: Question | None = None) -> Comparison:
    return compare(runs, "a", question).variants[0]


@pytest.mark.parametrize(
    ("gain", "word"), [(0.02, FASTER), (-0.02, SLOWER), (0.0003, NO_DIFFERENCE)]
)
def test_without_a_smallest_gain_nothing_is_worth_it(gain: float, word: str) -> None:
    found = judged(made(gain)).verdict
    assert found.word == word
    assert "at 95 % confidence" in found.sentence
    assert "number of runs fixed beforehand" in found.sentence


@pytest.mark.parametrize(
    ("gain", "worth", "word"),
    [(0.02, 1.0, WORTH), (0.02, 5.0, NOT_WORTH), (-0.02, 0.0, NOT_WORTH), (0.01, 1.0, CANNOT_TELL),
     (0.02, 0.0, WORTH)],
)  # fmt: skip
def test_with_a_smallest_gain(gain: float, worth: float, word: str) -> None:
    assert judged(made(gain), Question(worth_pct=worth)).verdict.word == word


@pytest.mark.parametrize(
    ("bound", "word", "words"),
    [
        (Bound("current_a", 10.0, "%"), WORTH, ""),
        (Bound("current_a", 3.0, "%"), NOT_WORTH, "Current: more than the 3 % allowed"),
        (Bound("current_a", 5.0, "%"), CANNOT_TELL, "Current: perhaps more than the 5 % allowed"),
        (Bound("power_w", 2.0, "%"), NOT_WORTH, "Power: more than"),
        (Bound("motor_degc_rise", 10.0, "K"), WORTH, ""),
        (Bound("motor_degc_rise", 2.0, "K"), NOT_WORTH, "Motor temperature rise: more than"),
        (Bound("efficiency", 3.0, "%"), WORTH, ""),
        (Bound("efficiency", 0.1, "%"), CANNOT_TELL, "Loss of efficiency: perhaps"),
    ],
)  # fmt: skip
def test_what_it_may_cost(bound: Bound, word: str, words: str) -> None:
    current = 0.05 if bound.quantity != "efficiency" else 0.065
    found = judged(made(0.02, current=current), Question(worth_pct=1.0, bounds=(bound,))).verdict
    assert found.word == word, found.sentence
    assert words in found.sentence


def test_a_bound_on_what_was_not_measured_is_refused() -> None:
    with pytest.raises(SettingsError, match="pack_degc_rise"):
        judged(made(0.02), Question(worth_pct=1.0, bounds=(Bound("pack_degc_rise", 5.0, "K"),)))


def test_one_after_the_other_cannot_tell_and_says_what_alone_would_give_it() -> None:
    runs = made(0.0145, "aaaaabbbbb", voltage_rest_v=25.4)
    found = judged(runs, Question(worth_pct=1.0)).verdict
    assert found.word == CANNOT_TELL
    assert "one after the other" in found.sentence
    assert "alone would give about +1.6 % speed" in found.sentence
    assert judged(runs).verdict.word == CANNOT_TELL


def test_there_and_back_is_accepted_for_what_is_large_enough() -> None:
    runs = made(0.05, "aaabbbbaaa")
    found = judged(runs, Question(worth_pct=1.0)).verdict
    assert found.word == WORTH
    assert "whatever drift in one direction" in found.sentence


def test_a_drift_between_blocks_is_not_worth_anything() -> None:
    runs = made(0.0, "aaabbbbaaa")
    late = [
        replace(r, figures={**r.figures, "speed_rpm": 1.02 * r.figures["speed_rpm"]})
        for r in runs[3:]
    ]
    runs = [*runs[:3], *late]
    assert judged(runs, Question(worth_pct=0.5)).verdict.word == CANNOT_TELL


@pytest.mark.parametrize(
    "more", [{"voltage_rest_v": 25.75}, {"motor_degc_start": 61.0}], ids=["supply", "start"]
)
def test_a_difference_of_the_conditions_is_in_the_interval(more: dict[str, float]) -> None:
    found = judged(made(0.015, **more), Question(worth_pct=1.0))
    assert found.verdict.word == CANNOT_TELL
    assert "because of a difference in the conditions" in found.verdict.sentence
    speed = found.change("speed_rpm")
    assert speed is not None
    assert speed.known > 1.0


def test_a_large_supply_does_not_hide_a_larger_gain() -> None:
    assert judged(made(0.10, voltage_rest_v=25.25), Question(worth_pct=1.0)).verdict.word == WORTH


def test_stops_and_warnings_of_the_variant_are_in_the_word() -> None:
    runs = made(0.02)
    stopped = [
        replace(r, name=f"stopped{i}", outcome="tripped", began_s=1000.0 + i,
                alarms=frozenset({("trip", "motor_degc")}))
        for i, r in enumerate(r for r in runs if r.setup == "b")
    ]  # fmt: skip
    found = judged([*runs, *stopped[:3]], Question(worth_pct=1.0)).verdict
    assert found.word == CANNOT_TELL
    assert found.sentence.startswith("3 of 8 runs of b were stopped by a limit.")
    assert "trip of motor_degc" in found.sentence
    both = [replace(r, alarms=frozenset({("warning", "current_a")})) for r in runs]
    assert judged(both, Question(worth_pct=1.0)).verdict.word == WORTH


def test_a_large_cost_is_in_the_sentence() -> None:
    found = judged(made(0.0065, current=0.70)).verdict
    assert "Current changed by +70.0" in found.sentence


def test_one_run_and_no_speed_cannot_tell() -> None:
    assert "One run of a setup" in judged(made(0.02, "aab")).verdict.sentence
    runs = [
        replace(r, figures={k: v for k, v in r.figures.items() if k != "speed_rpm"})
        for r in made(0.02)
    ]
    assert "Speed was not measured" in judged(runs).verdict.sentence


def test_two_runs_carry_a_caution() -> None:
    found = judged(made(0.0, "abab")).verdict
    assert found.word == NO_DIFFERENCE
    assert "relies on normal scatter" in found.sentence


def test_what_could_have_been_shown_is_the_power_of_the_t_test() -> None:
    """Of 2,000 experiments with just that change, 80 % show it: by Monte Carlo, with numpy."""
    import numpy as np

    random = np.random.default_rng(4)
    found = judged(made(0.0)).change("speed_rpm")
    assert found is not None and found.detectable is not None and found.scatter is not None
    ratio = found.detectable / found.scatter
    seen = 0
    for _ in range(2000):
        noise = random.normal(size=(10, 1))
        noise[1::2] += ratio * math.sqrt(2.0 / 5.0) * 1.0
        from rig.analysis.contrasts import Model, critical

        contrast = Model(tuple("ababababab"), noise, np.arange(10.0)).contrast("a", "b")
        error = math.sqrt(contrast.covariance[0, 0])
        seen += abs(contrast.estimates[0]) > critical(contrast.df[0]) * error
    assert seen / 2000 == pytest.approx(0.8, abs=0.05)
