"""Orders of runs."""

from collections import Counter

import numpy as np
import pytest

from rig.analysis.order import IN_TURN, THERE_AND_BACK, order_of
from rig.analysis.sequential.schedule import (
    ABBA,
    IN_BLOCKS,
    MIRRORED,
    mountings,
    per_mounting,
    schedule,
)
from rig.errors import SettingsError


def test_in_turn_by_default() -> None:
    found = schedule(["a", "b"], 5, seed=1)
    assert "".join(found.runs) == "ababababab"
    assert found.looks == (6, 8, 10)


def test_abba_for_many_runs_unless_they_mean_remounting() -> None:
    assert "".join(schedule(["a", "b"], 12, seed=1).runs) == "abba" * 6
    assert "".join(schedule(["a", "b"], 12, remount=True, seed=1).runs) == "ab" * 12


def test_abba_is_looked_at_after_whole_blocks_and_at_the_end() -> None:
    assert schedule(["a", "b"], 7, ABBA, seed=1).looks == (8, 12, 14)


@pytest.mark.parametrize("count", [3, 4, 5])
def test_a_random_block_and_its_mirror_image(count: int) -> None:
    setups = list("abcde"[:count])
    found = schedule(setups, 6, seed=3)
    assert found.kind == MIRRORED
    assert found.looks == (4 * count, 6 * count)
    for start in range(0, 6 * count, 2 * count):
        block = found.runs[start : start + count]
        assert sorted(block) == setups
        assert found.runs[start + count : start + 2 * count] == block[::-1]
    assert found == schedule(setups, 6, seed=3)
    assert len({schedule(setups, 6, seed=seed).runs for seed in range(9)}) > 1


def test_raising_the_most_runs_leaves_the_first_runs_as_they_were() -> None:
    few, many = (schedule(["a", "b", "c"], most, seed=5) for most in (5, 9))
    assert many.runs[: len(few.runs)] == few.runs


@pytest.mark.parametrize(("setups", "most", "kind"), [
    ("ab", 3, None), ("ab", 10, None), ("ab", 20, None), ("ab", 6, ABBA), ("abc", 4, None),
    ("abcde", 4, None),
])  # fmt: skip
def test_every_look_separates_a_drift_from_the_change(
    setups: str, most: int, kind: str | None
) -> None:
    found = schedule(list(setups), most, kind, seed=2)
    for runs in found.looks:
        began = tuple(float(i) for i in range(runs))
        assert order_of(found.runs[:runs], began, "a", "b").kind == IN_TURN
    assert Counter(found.runs) == dict.fromkeys(setups, most)


def test_there_and_back_is_looked_at_once() -> None:
    found = schedule(["a", "b"], 6, IN_BLOCKS, seed=1)
    assert "".join(found.runs) == "aaabbbbbbaaa"
    assert found.looks == (12,)
    assert order_of(found.runs, tuple(map(float, range(12))), "a", "b").kind == THERE_AND_BACK


def test_a_decided_setup_is_not_run_any_more() -> None:
    found = schedule(["a", "b", "c"], 6, seed=1).without(12, {"c"})
    assert Counter(found.runs) == {"a": 6, "b": 6, "c": 4}
    assert "c" not in found.runs[12:]
    assert found.looks == (12, 16)


def test_one_mounting_is_one_observation() -> None:
    setups = tuple("abbaab")
    assert mountings(setups) == (0, 1, 1, 2, 2, 3)
    names, values, began = per_mounting(setups, [1, 2, 4, 3, 5, 7], range(6), mountings(setups))
    assert names == tuple("abab")
    np.testing.assert_allclose(values, [1, 3, 4, 7])
    np.testing.assert_allclose(began, [0, 1.5, 3.5, 5])


@pytest.mark.parametrize(("setups", "most", "kind", "what"), [
    (["a", "a"], 5, None, "same name"),
    (["a"], 5, None, "2 to 5 setups"),
    (list("abcdef"), 5, None, "2 to 5 setups"),
    (["a", "b"], 2, None, "scatter"),
    (["a", "b"], 5, "BABA", "no order"),
    (["a", "b", "c"], 5, ABBA, "two setups"),
])  # fmt: skip
def test_what_cannot_be_planned(setups: list[str], most: int, kind: str | None, what: str) -> None:
    with pytest.raises(SettingsError, match=what):
        schedule(setups, most, kind, seed=1)
