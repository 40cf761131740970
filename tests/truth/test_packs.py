"""A smaller run of `python -m tests.truth packs`, which has the promises."""

from tests.truth.packs import table


def test_the_promises_of_the_table_hold() -> None:
    assert table(small=True).broken == []
