"""The small table of uneven marks holds."""

from tests.truth import marks


def test_marks_out_of_place_change_no_mean_reject_no_line_and_trip_no_limit() -> None:
    table = marks.table(small=True)
    assert table.rows
    assert not table.broken
