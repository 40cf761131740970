"""A small version of `python -m tests.coverage_sequential`, which makes the promises."""

import pytest

from tests.coverage_sequential import ROWS, disagreements, promises, run

CAMPAIGNS = 2000
NAMED = (
    "base: 10 runs, gain w", "5 runs", "scatter 1:3", "gain w -1.5", "gain w +1", "drift curved",
    "looks skipped", "N raised where it looks good", "remounting 2, unit mounting",
)  # fmt: skip


@pytest.mark.parametrize("row", [row for row in ROWS if row.name in NAMED], ids=lambda r: r.name)
def test_what_the_table_promises(row) -> None:  # type: ignore[no-untyped-def]
    assert promises(row, run(row, CAMPAIGNS), CAMPAIGNS) == []


def test_two_runs_of_one_mounting_are_not_two_observations() -> None:
    """The simulation finds what it should: with the run as the unit, words are false too often."""
    (row,) = [row for row in ROWS if row.name == "remounting 2, unit run"]
    assert run(row, CAMPAIGNS).false_worth > 0.06


def test_the_public_function_agrees_with_the_simulation() -> None:
    assert disagreements(ROWS[0], 200) == []
