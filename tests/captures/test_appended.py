"""More than one run in a file: salvage makes a capture of each, or says what it left."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.captures import journal_head
from rig.captures.capture import load, read_meta
from rig.captures.convert import convert, finish
from rig.captures.journal_head import runs_in
from rig.errors import InputFileError
from rig.salvage import salvage
from tests.captures import journals


def run(setup: str, rows: int = 60, boot: int = 7, at: int = 0) -> bytes:
    """A whole run whose board counts on from line `at`."""
    lines = [journals.begin(setup=setup), journals.introduction(boot)]
    lines += [journals.state("running", 1.0), *(journals.data(at + row) for row in range(rows))]
    return b"".join([*lines, journals.end(cause=setup)])


def salvaged(path: Path) -> list[tuple[str, int, str]]:
    done = salvage(path, None, None)
    return [(one.meta.setup, one.meta.rows, one.meta.cause) for one in (done, *done.others)]


@pytest.mark.parametrize("boots", [(7, 7), (7, 8)], ids=["the same boot", "another boot"])
def test_each_run_of_a_file_becomes_a_capture(tmp_path: Path, boots: tuple[int, int]) -> None:
    runs = [run("early", 60, boots[0]), run("late", 30, boots[1], at=60)]
    path = journals.written(tmp_path / "run.journal", runs)
    assert salvaged(path) == [("early", 60, "early"), ("late", 30, "late")]
    assert sorted(p.name for p in tmp_path.glob("*.parquet")) == ["run.parquet", "run_2.parquet"]
    assert load(tmp_path / "run_2.parquet").frame["time_s"].iloc[0] == pytest.approx(0.0, abs=1.0)
    assert path.exists()


def test_the_first_run_alone_is_converted_and_the_journal_kept(tmp_path: Path) -> None:
    path = journals.written(tmp_path / "run.journal", [run("early"), run("late", at=60)])
    meta = read_meta(finish(path))
    assert (meta.setup, meta.rows, meta.cause) == ("early", 60, "early")
    assert meta.statistics["after_restart"] == 60
    assert path.exists(), "another run is in it"


def test_a_part_without_a_run_is_named(tmp_path: Path) -> None:
    cut_off = journals.begin(setup="cut off") + journals.hello()
    path = journals.written(tmp_path / "run.journal", [b"junk\n", run("early"), cut_off])
    done = salvage(path, None, None)
    assert (done.meta.setup, done.others) == ("early", ())
    assert len(done.left) == 2
    assert done.left[0].startswith("from byte 0 on: ")
    assert "left out: from byte" in done.sentence()
    assert done.as_dict()["left"] == list(done.left)


def test_where_no_part_is_a_run_nothing_is_made(tmp_path: Path) -> None:
    path = journals.written(tmp_path / "run.journal", [journals.begin(), journals.begin()])
    with pytest.raises(InputFileError, match="no capture can be made"):
        salvage(path, None, None)


def test_a_cut_line_between_two_runs_costs_no_run(tmp_path: Path) -> None:
    """The first recorder was killed in mid-line; whoever appended the second began a new line."""
    path = journals.written(tmp_path / "run.journal", [run("early")[:-70], b"\n", run("late")])
    assert [row[:2] for row in salvaged(path)] == [("early", 60), ("late", 60)]


def test_a_reset_of_the_board_is_said(tmp_path: Path) -> None:
    lines = [journals.begin(), journals.introduction(), *map(journals.data, range(20))]
    lines += [journals.introduction(boot=8), *map(journals.data, range(5))]
    done = salvage(journals.written(tmp_path / "run.journal", lines), None, None)
    assert "5 lines after a reset of the board are not in it" in done.sentence()


def test_no_line_of_a_board_begins_a_run_in_a_plain_log(tmp_path: Path) -> None:
    lines = [journals.introduction(), *map(journals.data, range(10)), journals.begin()]
    path = journals.written(tmp_path / "terminal.log", [*lines, *map(journals.data, range(10, 20))])
    assert len(runs_in(path)) == 1
    assert read_meta(convert(path, stand=journals.STAND)).rows == 20


@settings(max_examples=30)
@given(
    st.lists(st.integers(0, 5) | st.sampled_from([65_533, 65_540, 100_000]), max_size=4),
    st.integers(5_000, 70_000),
)
def test_runs_are_found_in_pieces_of_any_size(
    tmp_path_factory: pytest.TempPathFactory, junk: list[int], piece: int
) -> None:
    begin = journals.begin()
    content, expected = begin, [0]
    for length in junk:
        content += b"!" * length + b"\n"
        expected.append(len(content))
        content += begin
        content += b"x" * length + begin[:-9] + b"\n"
    path = journals.written(tmp_path_factory.mktemp("runs") / "run.journal", [content])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(journal_head, "CHUNK_BYTES", piece)
        assert [start for start, _ in runs_in(path)] == expected
