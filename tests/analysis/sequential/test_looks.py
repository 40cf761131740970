"""One look: word, interval, and what it leaves to later looks."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from rig.analysis.sequential.looks import CAUTION, GO_ON, Look, Plan, look
from rig.analysis.sequential.schedule import IN_BLOCKS, schedule
from rig.analysis.sequential.variants import BEST, BEST_SO_FAR, best, pairs, plans
from rig.analysis.verdict import CANNOT_TELL, NOT_WORTH, WORTH

ORDER = schedule(["a", "b"], 8, seed=1)
PLAN = Plan("a", "b", 1.0, ORDER.runs)
NOISE = np.random.default_rng(4).normal(size=40)


def seen(gain: float, runs: int, earlier: list[Look] | None = None, plan: Plan = PLAN) -> Look:
    setups = plan.order[:runs]
    values = NOISE[:runs] + [gain * (name == "b") for name in setups]
    found = look(plan, setups, values, np.arange(runs), earlier or (), last=runs == len(plan.order))
    assert found is not None
    return found


def campaign(gain: float, looks: tuple[int, ...] = ORDER.looks, plan: Plan = PLAN) -> list[Look]:
    taken: list[Look] = []
    for runs in looks:
        taken.append(seen(gain, runs, taken, plan))
        if taken[-1].word != GO_ON:
            break
    return taken


def test_the_three_answers() -> None:
    assert campaign(8.0)[-1].word == WORTH
    assert campaign(-8.0)[-1].word == NOT_WORTH
    assert campaign(1.0)[-1].word == CANNOT_TELL
    assert {one.word for one in campaign(1.0)[:-1]} == {GO_ON}


def test_an_early_answer_has_a_caution_a_late_one_has_not() -> None:
    early, late = campaign(8.0)[-1], campaign(1.0)[-1]
    assert early.time < 1.0 and early.caution == CAUTION
    assert late.time == 1.0 and late.caution == ""


def test_the_whole_error_is_spent_at_the_end_and_its_share_before() -> None:
    taken = campaign(1.0)
    assert taken[-1].spent == pytest.approx(PLAN.alpha)
    for one in taken:
        assert one.spent == pytest.approx(PLAN.alpha * one.time**2)


@pytest.mark.parametrize("gain", np.linspace(-2.0, 4.0, 25))
def test_the_interval_never_contradicts_the_word(gain: float) -> None:
    for one in campaign(gain):
        low, high = one.interval
        assert (one.word == WORTH) == (low > PLAN.smallest) == (one.p_worth < one.level)
        assert (one.word == NOT_WORTH) == (high < PLAN.smallest) == (one.p_not_worth < one.level)


def test_a_single_look_is_the_ordinary_t_test() -> None:
    """With ABBA at the end, no drift in the model: Welch's interval by scipy, 96 %."""
    order = tuple("abbaab")
    values = NOISE[:6]
    plan = Plan("a", "b", 1.0, order)
    found = look(plan, order, values, range(6), last=True)
    sides = [values[[name == side for name in order]] for side in "ba"]
    expected = stats.ttest_ind(*sides, equal_var=False).confidence_interval(0.96)
    assert found is not None and found.interval == pytest.approx(tuple(expected))


def test_a_skipped_look_is_left_out() -> None:
    every, some = campaign(1.0), campaign(1.0, (6, 12, 16))
    assert some[1].spent == pytest.approx(every[3].spent)
    assert some[1].level > every[3].level


def test_lost_runs_leave_error_unspent() -> None:
    kept = [i for i in range(16) if i not in (5, 12)]
    setups = [ORDER.runs[i] for i in kept]
    found = look(PLAN, setups, NOISE[kept], np.array(kept), last=True)
    assert found is not None
    assert found.time < 1.0 and found.spent < PLAN.alpha and found.word == CANNOT_TELL


def test_more_runs_than_planned_spend_what_is_left() -> None:
    before = campaign(1.0, ORDER.looks[:-1])
    longer = replace(PLAN, order=schedule(["a", "b"], 12, "ABAB", seed=1).runs)
    taken = list(before)
    for runs in range(16, 25, 2):
        taken.append(seen(1.0, runs, taken, longer))
    spent = [one.spent for one in taken]
    assert spent == sorted(spent) and spent[-1] == pytest.approx(PLAN.alpha)
    assert all(one.level > 0.0 for one in taken)


def test_no_look_before_three_runs_or_without_an_order_that_separates() -> None:
    assert look(PLAN, list("abab"), [0.0] * 4, range(4)) is None
    assert look(PLAN, list("aaabbb"), [0.0, 1, 0, 5, 6, 5], range(6)) is None
    assert look(PLAN, list("ababab"), [0.0] * 6, [math.nan] * 6) is None


def test_after_the_answer_there_is_no_look() -> None:
    taken = campaign(8.0)
    with pytest.raises(ValueError, match="closed"):
        seen(8.0, 16, taken)


def test_a_look_without_new_information_spends_nothing() -> None:
    first = seen(1.0, 8)
    again = seen(1.0, 8, [first])
    assert (again.spent, again.level, again.interval) == (first.spent, first.level, first.interval)
    after = seen(1.0, 10, [first, again])
    assert after.level == seen(1.0, 10, [first]).level


def test_runs_without_any_scatter() -> None:
    same = look(PLAN, list("ababab"), [0.0, 1.0] * 3, range(6))
    more = look(PLAN, list("ababab"), [0.0, 1.5] * 3, range(6))
    assert same is not None and same.word == GO_ON
    assert more is not None and more.word == WORTH


def test_there_and_back_covers_a_drift_in_one_direction() -> None:
    order = schedule(["a", "b"], 6, IN_BLOCKS, seed=1).runs
    plan = Plan("a", "b", 1.0, order)
    values = 0.1 * NOISE[:12] + [3.0 * (name == "b") for name in order] + 0.5 * np.arange(12)
    found = look(plan, order, values, range(12), last=True)
    assert found is not None and len(found.estimates) == 2
    assert found.interval[0] < 3.0 < found.interval[1]
    assert look(plan, order[:9], values[:9], range(9)) is None


def test_several_variants_share_the_error() -> None:
    order = schedule(["a", "b", "c"], 5, seed=1).runs
    found = plans("a", ["b", "c"], 1.0, order)
    assert [one.alpha for one in found.values()] == [0.01, 0.01]
    assert set(pairs(["b", "c"], order)) == {("b", "c"), ("c", "b")}


def test_best_only_where_it_beats_each_other_one() -> None:
    words = {"b": WORTH, "c": WORTH, "d": NOT_WORTH}
    gains = {"b": 3.0, "c": 2.0, "d": -1.0}
    assert best(words, gains, {("b", "c")}) == ("b", BEST)
    assert best(words, gains, set()) == ("b", BEST_SO_FAR)
    assert best({**words, "b": GO_ON}, gains, {("b", "c")}) == ("b", BEST_SO_FAR)
    assert best({"b": NOT_WORTH, "c": NOT_WORTH}, gains, set()) is None
