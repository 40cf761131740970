"""Crashes, damage and full disks: nothing that was on disk is lost, and each has its message."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.captures.capture import load, read_meta
from rig.captures.convert import convert, finish, recalibrate
from rig.captures.export import export_csv, export_excel
from rig.captures.journal_head import introduce
from rig.captures.story import JournalReader
from rig.errors import DISK_REFUSED, DiskError, InputFileError, RigError
from rig.stand.settings import demo_stand
from tests.captures import journals


def test_a_journal_cut_at_any_of_its_last_bytes_keeps_every_whole_line(tmp_path: Path) -> None:
    rows = [journals.data(row) for row in range(40)]
    whole = journals.begin() + journals.introduction() + b"".join(rows)
    ends = [len(whole)]
    for row in reversed(rows):
        ends.append(ends[-1] - len(row))
    for cut in range(len(whole) - 300, len(whole) + 1):
        journal = journals.written(tmp_path / f"{cut}.journal", [whole[:cut]])
        reader = JournalReader(journal, introduce(journal), lambda _: None)
        kept = sum(len(block.fields) for block in reader.blocks())
        # A line is whole, and proven so by its checksum, once only its line feed is missing.
        assert kept == sum(cut >= end - 1 for end in ends[:-1])
        assert reader.story.cut_line == (cut not in ends and cut + 1 not in ends)
        assert not reader.story.decoder.counts.rejected
        if cut % 20 == 0:
            meta = read_meta(convert(journal))
            assert (meta.rows, meta.outcome) == (kept, "cut off")


@settings(max_examples=40)
@given(junk=st.binary(max_size=300), at=st.integers(0, 30))
def test_junk_in_a_journal_costs_no_line_but_the_one_it_hits(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, at: int
) -> None:
    rows = [journals.data(row) for row in range(30)]
    rows.insert(at, junk + b"\n")
    path = tmp_path_factory.mktemp("junk") / "run.journal"
    journals.written(path, [journals.begin(), journals.introduction(), *rows])
    assert read_meta(convert(path, stand=journals.STAND)).rows == 30


@settings(max_examples=100)
@given(st.binary(max_size=400))
def test_any_bytes_give_a_capture_or_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "run.journal"
    path.write_bytes(content)
    with pytest.raises(InputFileError, match="no capture can be made"):
        convert(path)
    with pytest.raises(InputFileError):
        load(path)


def _foreign(path: Path) -> None:
    pd.DataFrame({"a": [1]}).to_parquet(path)


def _truncated(path: Path) -> None:
    whole = convert(journals.written(path.with_name("w.journal"), journals.whole_run()))
    path.write_bytes(whole.read_bytes()[:-100])


def _damaged(path: Path) -> None:
    """One bit flipped among the counts: the description is whole, a page is not."""
    whole = convert(journals.written(path.with_name("w.journal"), journals.whole_run()))
    content = bytearray(whole.read_bytes())
    group = pq.read_metadata(whole).row_group(0)
    pages = group.column(group.num_columns - 1)
    content[pages.data_page_offset + pages.total_compressed_size // 2] ^= 1
    path.write_bytes(content)


_BAD = {
    "missing": (lambda _: None, "no such file"),
    "empty": (lambda path: path.write_bytes(b""), "not a capture"),
    "not Parquet": (lambda path: path.write_text("time_s,current_a\n0,1\n"), "not a capture"),
    "foreign": (_foreign, "not a capture of ours"),
    "truncated": (_truncated, "not a capture"),
    "damaged": (_damaged, "not a capture"),
    "a folder": (lambda path: path.mkdir(), "directory"),
}


@pytest.mark.parametrize("bad", _BAD)
def test_what_is_no_capture_is_said_to_be_none(tmp_path: Path, bad: str) -> None:
    make, message = _BAD[bad]
    path = tmp_path / "x.parquet"
    make(path)
    for use in (
        load,
        lambda path: recalibrate(path, demo_stand(), tmp_path / "r.parquet"),
        lambda path: export_csv(path, tmp_path / "x.csv"),
        lambda path: export_excel(path, tmp_path / "x.xlsx"),
    ):
        with pytest.raises(InputFileError, match=message) as caught:
            use(path)
        assert str(path) in str(caught.value)
    assert not list(tmp_path.glob("r.parquet")) + list(tmp_path.glob(".*"))


@pytest.mark.parametrize("name", ["run.journal", "terminal.log"])
def test_a_missing_journal_is_said_to_be_missing(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputFileError, match="no such file"):
        convert(tmp_path / name, stand=demo_stand())


def _big(path: Path) -> Path:
    return journals.written(path, [*journals.whole_run(6000)])


def test_a_full_disk_leaves_the_journal_and_says_so(tmp_path: Path) -> None:
    journal = _big(tmp_path / "run.journal")
    code = (
        "import resource, sys\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))\n"
        "from rig.captures.__main__ import main\n"
        "sys.exit(main())"
    )
    result = subprocess.run(
        [sys.executable, "-c", code, str(journal)], capture_output=True, text=True
    )
    assert result.returncode == DISK_REFUSED
    assert "the disk refused: file too large" in result.stderr
    assert f"The journal is kept: {journal}" in result.stderr
    assert "Traceback" not in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["run.journal"]
    assert read_meta(finish(journal)).rows == 6000


def test_a_folder_that_cannot_be_written_to_is_a_disk_error(tmp_path: Path) -> None:
    journal = _big(tmp_path / "run.journal")
    with pytest.raises(DiskError) as caught:
        convert(journal, tmp_path / "nowhere" / "run.parquet")
    assert caught.value.exit_code == DISK_REFUSED
    assert journal.exists()


def test_a_killed_conversion_leaves_the_journal_and_can_be_run_again(tmp_path: Path) -> None:
    journal = _big(tmp_path / "run.journal")
    content = journal.read_bytes()
    slow = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from rig.captures import table\n"
        "def describe(self, meta):\n"
        "    print('writing', flush=True)\n"
        "    time.sleep(60)\n"
        "table.TableWriter.describe = describe\n"
        "from rig.captures.convert import finish\n"
        "finish(Path(sys.argv[1]))\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", slow, str(journal)], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"writing\n"
        os.kill(process.pid, signal.SIGKILL)
    assert journal.read_bytes() == content
    assert not list(tmp_path.glob("*.parquet"))
    assert len(list(tmp_path.glob(".*.partial"))) == 1
    assert read_meta(finish(journal)).rows == 6000
    assert [path.name for path in tmp_path.iterdir()] == ["run.parquet"], "the remains are swept"


def test_what_somebody_is_still_writing_is_not_swept(tmp_path: Path) -> None:
    journal = journals.written(tmp_path / "run.journal", journals.whole_run())
    captures: list[Path] = []

    def meanwhile(_: float) -> None:
        captures.append(finish(journal))

    captures.append(convert(journal, progress=meanwhile))
    assert [path.name for path in captures] == ["run.parquet", "run_2.parquet"]
    assert [read_meta(path).rows for path in captures] == [300, 300]


def test_two_processes_at_once_never_clash(tmp_path: Path) -> None:
    journal = journals.written(tmp_path / "run.journal", journals.whole_run())
    code = (
        "import sys; from pathlib import Path; from rig.captures.convert import convert\n"
        "print('ready', flush=True); sys.stdin.readline()\n"
        "for _ in range(5): print(convert(Path(sys.argv[1])).name)"
    )
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(journal)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    names = [name for process in processes for name in process.communicate("go\n")[0].splitlines()]
    assert len(set(names)) == len(names) == 10
    assert all(read_meta(tmp_path / name).rows == 300 for name in names)


def test_the_command_line_turns_a_journal_into_a_capture(tmp_path: Path) -> None:
    journal = journals.written(tmp_path / "run.journal", journals.whole_run())
    command = [sys.executable, "-P", "-m", "rig.captures"]
    subprocess.run([*command, str(journal)], check=True)
    assert [path.name for path in tmp_path.iterdir()] == ["run.parquet"]
    again = subprocess.run([*command, str(journal)], capture_output=True, text=True)
    assert again.returncode == RigError.exit_code
    assert "no such file" in again.stderr


def _short_run() -> bytes:
    return b"".join([*journals.whole_run(12)])


def _rows_kept(path: Path, content: bytes) -> int | None:
    """How many rows a reader finds; None where it says that there is no run."""
    path.write_bytes(content)
    try:
        reader = JournalReader(path, introduce(path), lambda _: None)
    except InputFileError as error:
        assert str(path) in str(error)
        return None
    return sum(len(block.fields) for block in reader.blocks())


def test_a_journal_cut_at_every_byte_is_read_or_refused(tmp_path: Path) -> None:
    whole = _short_run()
    known_from = whole.index(b"\n", whole.rindex(b"\nC,") + 1) + 1
    starts = [found.start() for found in re.finditer(rb"^D,", whole, re.MULTILINE)]
    # A line is whole, and proven so by its checksum, once only its line feed is missing.
    ends = [whole.index(b"\n", start) for start in starts]
    path = tmp_path / "run.journal"
    for cut in range(len(whole) + 1):
        kept = _rows_kept(path, whole[:cut])
        assert kept == (sum(cut >= end for end in ends) if cut >= known_from else None)
        if cut % 200 == 0 and kept is not None:
            assert read_meta(convert(path)).rows == kept


@pytest.mark.parametrize(
    "fault",
    [pytest.param(0x01, marks=pytest.mark.long), pytest.param(0x80, marks=pytest.mark.long), 0xFF],
)
def test_a_byte_flipped_anywhere_costs_its_own_line_only(tmp_path: Path, fault: int) -> None:
    whole = _short_run()
    at_introduction = range(whole.index(b"\nH,"), whole.index(b"\nD,") + 1)
    path = tmp_path / "run.journal"
    for place in range(len(whole)):
        content = bytearray(whole)
        content[place] ^= fault
        kept = _rows_kept(path, bytes(content))
        if place not in at_introduction:
            # A flipped line feed joins two lines, so two are lost at most; never one invented.
            assert kept is not None and 10 <= kept <= 12


@pytest.mark.parametrize("length", [1, 512, 4096])
def test_a_journal_with_zeros_in_place_of_a_block_keeps_the_other_lines(
    tmp_path: Path, length: int
) -> None:
    """As a file system leaves a block that it had no time to write."""
    whole = b"".join(journals.whole_run(300))
    lines = whole.splitlines(keepends=True)
    first = whole.index(b"\nD,") + 1
    for place in range(first, len(whole), 977):
        content = bytearray(whole)
        content[place : place + length] = bytes(len(content[place : place + length]))
        untouched, at = 0, 0
        for line in lines:
            touched = at < place + length and place < at + len(line)
            joined = at == whole.find(b"\n", place + length - 1) + 1 and content[at - 1] == 0
            untouched += line.startswith(b"D,") and not touched and not joined
            at += len(line)
        assert _rows_kept(tmp_path / "run.journal", bytes(content)) == untouched


def test_a_journal_of_zeros_alone_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.journal"
    path.write_bytes(bytes(2_000_000))
    with pytest.raises(InputFileError, match="no line of a board"):
        convert(path)


def test_a_line_of_any_length_leaves_the_run_to_be_saved(tmp_path: Path) -> None:
    lines = journals.whole_run(30)
    for length in (2_040, 70_000, 3_000_000):
        lines.insert(-5, b"D," + b"1" * length + b"\n")
    path = journals.written(tmp_path / "run.journal", lines)
    meta = read_meta(convert(path))
    assert (meta.rows, meta.outcome) == (30, "done")
    assert sum(meta.statistics["rejected"].values()) == 3
