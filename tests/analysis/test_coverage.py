"""A small version of `python -m tests.coverage`, which makes the promises."""

import pytest

from tests.coverage import ROWS, promises, run

EXPERIMENTS = 120
NAMED = (
    "base", "runs 2+5", "order by lot", "order AABB", "drift straight", "drift step A-B-A",
    "supply 3 % AABB", "5 A on 100 A", "setups 3", "exponent 10 %",
)  # fmt: skip


@pytest.mark.parametrize("row", [row for row in ROWS if row.name in NAMED], ids=lambda r: r.name)
def test_what_the_table_promises(row) -> None:  # type: ignore[no-untyped-def]
    assert promises(row, run(row, EXPERIMENTS), EXPERIMENTS) == []
