"""The list of `rig runs`: whole names, one line per run where it is piped, readable at 80."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from rich.cells import cell_len

from rig import gather, review
from rig.captures.capture import read_meta
from rig.captures.convert import convert
from rig.captures.listing import Row
from rig.cli import main
from rig.report.runs import COLUMNS, cells, local_time, run_lines
from tests.captures import journals
from tests.report.captures import SAMPLES

HOSTILE = "\x1b[2J[bold red]x[/]\n<b>&</b> \u202eevil\x07"


def listed(folder: Path) -> list[tuple[str, ...]]:
    return [cells(item) for item in review.runs(folder)]


def hostile_run(path: Path) -> Path:
    lines = journals.whole_run()
    lines[0] = journals.begin(setup=HOSTILE, notes=HOSTILE, pairs={"pack": "[bold]P1[/] <i>"})
    mark = journals.remark("mark", 6.2, {"text": HOSTILE})
    return convert(journals.written(path, [*lines[:-1], mark, lines[-1]]))


@pytest.fixture
def central_europe(monkeypatch: pytest.MonkeyPatch) -> object:
    """CET, and CEST from March's last Sunday to October's (Directive 2000/84/EC)."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
        time.tzset()
        yield
    time.tzset()


@pytest.mark.usefixtures("central_europe")
def test_local_time_has_its_offset() -> None:
    assert local_time("2031-07-01T12:00:00.123+00:00") == "2031-07-01 14:00:00+02:00"
    assert local_time("2031-01-01T12:00:00") == "2031-01-01 13:00:00+01:00"
    for none in ("", "yesterday", "0001-01-01T00:00:00+14:00", "\x1b[2J"):
        assert local_time(none) == "-"


def test_piped_each_run_is_one_whole_line() -> None:
    rows = listed(SAMPLES)
    lines = run_lines(rows, None)
    assert len(lines) == 1 + len(rows) == 13
    for line, row in zip(lines[1:], rows, strict=True):
        assert line.startswith(f"{row[0]} ")
        for cell in row:
            assert cell in line
    (first,) = (line for line in lines if "early_01" in line)
    for words in ("70 % 3 s", "28.06 A", "11411 rpm", "673.9 W", "simulated demonstration"):
        assert words in first
    (cut_off,) = (line for line in lines if "cut_off" in line)
    assert "rig salvage" in cut_off
    (trip,) = (line for line in lines if "trip_01" in line)
    assert "at 0.4 s warning: Current is 13.5 A" in trip  # from the start of the hold
    assert cut_off.split("70 % 3 s")[1].split()[:3] == ["-", "-", "-"]


@pytest.mark.parametrize("width", [80, 100, 120, 160, 200])
def test_in_a_terminal_no_line_is_too_long_and_no_name_is_cut(width: int) -> None:
    rows = listed(SAMPLES)
    lines = run_lines(rows, width)
    assert max(map(cell_len, lines)) <= width
    for row in rows:
        assert sum(row[0] in line for line in lines) == 1
    words = " ".join(" ".join(lines).split())
    for row in rows:
        for cell in row[1:]:
            assert " ".join(cell.split()) in words
    assert (lines[0].split()[0] == COLUMNS[0].head) == (width >= 200)


def test_words_from_files_are_harmless_on_one_line(tmp_path: Path) -> None:
    hostile_run(tmp_path / "a.journal")
    for width in (None, 80, 400):
        text = "\n".join(run_lines(listed(tmp_path), width))
        assert not {"\x1b", "\u202e", "\x07"} & set(text)
        assert "[bold red]x[/] <b>&</b>" in " ".join(text.split())
        assert "pack: [bold]P1[/] <i>" in text
    assert len(run_lines(listed(tmp_path), None)) == 2


def test_wide_characters_are_aligned() -> None:
    rows = [cells((Row(Path(name), name, setup, 1, "", 1.0, "done"), {})) for name, setup in
            (("a.parquet", "早い"), ("b.parquet", "late"))]  # fmt: skip
    at = [cell_len(line[: line.index("done")]) for line in run_lines(rows, None)[1:]]
    assert at[0] == at[1]


def test_wide_characters_are_wrapped_by_their_width() -> None:
    row = Row(Path("a.parquet"), "a.parquet", "early", 1, "", 1.0, "done", notes="早い" * 60)
    for width in (80, 150):
        lines = run_lines([cells((row, {}))], width)
        assert max(map(cell_len, lines)) <= width
        assert "".join(line[-60:].strip() for line in lines).count("早") == 60


def test_one_damaged_table_leaves_the_others_their_figures(tmp_path: Path) -> None:
    good, bad = sorted(SAMPLES.glob("*early*.parquet"))[:2]
    shutil.copy(good, tmp_path)
    content = bytearray(bad.read_bytes())
    content[100:4000] = bytes(3900)
    (tmp_path / bad.name).write_bytes(content)
    (tmp_path / "none.parquet").write_bytes(b"PAR1")
    rows = {row[0]: row for row in listed(tmp_path)}
    assert rows[good.name][6:9] == ("28.06 A", "11411 rpm", "673.9 W")
    assert rows[bad.name][6:9] == ("-", "-", "-")
    assert rows["none.parquet"][9] == "unreadable"
    assert "not a capture" in rows["none.parquet"][10]


def test_repeats_are_marked_and_named_by_their_place_in_the_folder(tmp_path: Path) -> None:
    first = sorted(SAMPLES.glob("*early*.parquet"))[0]
    shutil.copy(first, tmp_path / "a.parquet")
    (tmp_path / "stick").mkdir()
    shutil.copy(first, tmp_path / "stick" / "a.parquet")
    one, two = listed(tmp_path)
    assert (one[0], one[9]) == ("a.parquet", "done")
    assert (two[0], two[9]) == ("stick/a.parquet", "done, repeat")
    assert two[10].startswith("does not count: the same run as a.parquet")
    assert two[6:9] == one[6:9]
    assert two[10] in run_lines([one, two], None)[2]


def test_figures_are_computed_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(gather, "user_cache_path", lambda *_, **__: tmp_path)
    first = review.runs_data(review.runs(SAMPLES))
    assert first[0]["figures"]["current_a"] == pytest.approx(28.06, abs=0.005)
    monkeypatch.setattr(gather, "_reckon", lambda *_: pytest.fail("computed again"))
    assert review.runs_data(review.runs(SAMPLES)) == first


def test_json_has_everything(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = hostile_run(tmp_path / "a.journal")
    assert main(["runs", str(tmp_path), "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    meta = read_meta(path)
    assert (row["setup"], row["notes"], row["pairs"]) == (meta.setup, meta.notes, meta.pairs)
    assert row["cause"] == "the run is complete"
    assert row["throttle"] == [[40.0, 5.0]]
    assert [words for _, words in row["events"]] == ["quiet", HOSTILE]
    assert row["figures"] == {}  # a second of drive has no steady part


def test_an_empty_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["runs", str(tmp_path)]) == 0
    assert "No run is in" in capsys.readouterr().out


def test_the_command_piped_has_no_colour_and_no_cut_name() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rig.cli", "runs", str(SAMPLES)],
        env={**os.environ, "COLUMNS": "80", "FORCE_COLOR": "1"},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "\x1b" not in done.stdout and "…" not in done.stdout
    assert len(done.stdout.splitlines()) == 13
