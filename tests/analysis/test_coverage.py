"""A small version of `python -m tests.coverage`, which makes the promises."""

import pytest

from tests.coverage import ROWS, promises, run

EXPERIMENTS = 120
NAMED = (
    "base", "runs 2+5", "order by lot", "order AABB", "drift straight", "drift step A-B-A",
    "supply 3 % AABB", "5 A on 100 A", "setups 3", "exponent 10 %",
)  # fmt: skip


SLOW = "setups 3"
"""Eight seconds, where the others take one."""


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(row, marks=[pytest.mark.long] if row.name == SLOW else [], id=row.name)
        for row in ROWS
        if row.name in NAMED
    ],
)
def test_what_the_table_promises(row) -> None:  # type: ignore[no-untyped-def]
    assert promises(row, run(row, EXPERIMENTS), EXPERIMENTS) == []
