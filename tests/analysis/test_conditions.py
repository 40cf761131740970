"""The tester's own pairs among what differs between two setups."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from rig.analysis.conditions import conditions
from rig.analysis.runs import Run


def runs(setup: str, packs: Sequence[str]) -> list[Run]:
    return [
        Run(f"{setup}{i}", setup, "done", {}, pairs={"pack": pack, "fan": "F1"} if pack else {})
        for i, pack in enumerate(packs)
    ]


@pytest.mark.parametrize(
    ("late", "early", "texts"),
    [
        ("11", "11", []),
        ("11", "22", ["pack: 1 in late, 2 in early"]),
        ("12", "12", ["pack: 1 or 2 in late, 1 or 2 in early"]),
        ("12", "11", ["pack: 1 or 2 in late, 1 in early"]),
        ("11", ["", ""], ["pack: 1 in late, not noted in early", "fan: F1 in late, not noted in "
                          "early"]),
    ],
)  # fmt: skip
def test_pairs_that_differ_are_named(
    late: Sequence[str], early: Sequence[str], texts: list[str]
) -> None:
    made = [*runs("late", late), *runs("early", early)]
    found = [c for c in conditions(made, "late", "early", {}) if "with" in c.name]
    assert [condition.text for condition in found] == texts
    assert all(condition.speed_pct is None for condition in found)
