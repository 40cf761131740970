"""`rig report`: what the files say is what the comparison says, and nothing else gets in."""

from __future__ import annotations

import errno
import hashlib
import html
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from rig import review
from rig.analysis.steady import last_hold_from_s
from rig.captures.capture import META_KEY, load
from rig.cli import main
from rig.report.data import as_data
from rig.report.document import Block, Table
from rig.report.markdown import as_markdown
from rig.rounding import with_interval, with_uncertainty
from tests.report.captures import HOSTILE, SAMPLES, hostile, write

MADE = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)
HARMFUL = re.compile("[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]")


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("page") / "report.html"
    return review.report([SAMPLES], "late", out, MADE).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def hostile_captures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty runs."""
    return hostile(tmp_path_factory.mktemp("hostile"), copies=2)


class _Elements(HTMLParser):
    """Every element is closed in its turn."""

    _EMPTY = frozenset({"meta"})

    def __init__(self, page: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.attributes: set[str] = set()
        self.ids: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.close()
        assert not self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.ids += [value or "" for name, value in attrs if name == "id"]
        if tag not in self._EMPTY:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag


def words(page: str) -> str:
    """What a reader sees."""
    return html.unescape(re.sub("<[^>]*>", "\n", page)).replace("\N{NO-BREAK SPACE}", " ")


def test_the_page_says_what_the_data_say(page: str) -> None:
    data = as_data(review.compare([SAMPLES], "late"))
    item = data["variants"]["early"]
    seen = words(page)
    answer = seen.index(item["verdict"])
    assert answer < seen.index(item["verdict_sentence"]) < seen.index("\nChanges\n")
    lines = seen.split("\n")
    for change in item["changes"].values():
        key, unit = ("pct", "%") if "change_pct" in change else ("k", "K")
        if change[f"change_{key}"] is not None:
            value, *ends = with_interval(change[f"change_{key}"], *change[f"ci95_{key}"], sign=True)
            assert any(line.startswith(f"{value} {unit}") for line in lines)
            assert " to ".join(ends) in lines
            assert f"{with_uncertainty(0.0, change[f'scatter_{key}'])[1]} {unit}" in lines
    for text in (item["order"], *data["warnings"], *item["efficiency_change_pct"]["assumptions"]):
        assert text in seen
    for found in item["not_the_change"]:
        assert found["text"] in seen
    assert "hand-operated cut" in seen
    assert "2026-11-25 15:00:00 UTC" in seen


def test_the_page_lists_each_capture_with_its_hash(page: str) -> None:
    for path in SAMPLES.glob("*.parquet"):
        table = page[page.index("<h2>Captures</h2>") :]
        row = table[table.index(f"<td><bdi>{path.name}") :].split("</tr>")[0]
        assert hashlib.sha256(path.read_bytes()).hexdigest() in row


def test_the_page_stands_alone(page: str) -> None:
    for never in ("http", "src=", "<script", "url(http", "@import", "<link", "javascript"):
        assert never not in page
    elements = _Elements(page)
    assert page.count("<svg") == 4
    assert len(elements.ids) == len(set(elements.ids))
    assert not {name for name in elements.attributes if name.startswith("on")}
    assert set(re.findall(r'href="(.)', page)) <= {"#"}


def test_the_same_input_gives_the_same_bytes(page: str, tmp_path: Path) -> None:
    """In another process, with other hashes and another taste in figures."""
    (tmp_path / "matplotlibrc").write_text("lines.linewidth: 9\nsvg.fonttype: path\n")
    out = tmp_path / "again.html"
    code = (
        "from datetime import *; from pathlib import Path; from rig import review\n"
        f"made = datetime.fromisoformat({MADE.isoformat()!r})\n"
        f"review.report([Path({str(SAMPLES)!r})], 'late', Path({str(out)!r}), made)"
    )
    subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONHASHSEED": "7"},
        cwd=tmp_path,
        check=True,
    )
    assert out.read_text(encoding="utf-8") == page


def test_names_from_files_cannot_steer_the_page(hostile_captures: Path, tmp_path: Path) -> None:
    out = review.report([hostile_captures], "late", tmp_path / "report.html", MADE)
    page = out.read_text(encoding="utf-8")
    assert out.stat().st_size < 1_500_000
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert not HARMFUL.search(page)
    assert _Elements(page).names <= {
        "html", "head", "meta", "title", "style", "body", "h1", "h2", "h3", "p", "section", "bdi",
        "ul", "li", "span", "figure", "figcaption", "div", "table", "thead", "tbody", "tr", "th",
        "td", "footer", "svg", "defs", "g", "path", "use", "text", "clippath", "rect",
    }  # fmt: skip


def test_markdown_has_the_numbers_and_whole_tables(
    hostile_captures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocks: list[Block] = []

    def kept(each: Iterable[Block]) -> str:
        blocks.extend(each)
        return as_markdown(blocks)

    monkeypatch.setattr(review, "as_markdown", kept)
    out = review.report([hostile_captures], "late", tmp_path / "report.md", MADE)
    text = out.read_text(encoding="utf-8")
    assert not HARMFUL.search(text)
    assert not re.search(r"(?<!\\)[<>]", text)
    tables = re.findall(r"(?:^\|.*\n)+", text, re.MULTILINE)
    bars = [{len(re.findall(r"(?<!\\)\|", line)) for line in rows.splitlines()} for rows in tables]
    assert len(bars) >= 4  # changes, budget, alternatives, captures
    assert bars == [{len(block.columns) + 1} for block in blocks if isinstance(block, Table)]
    item = as_data(review.compare([hostile_captures], "late"))["variants"][HOSTILE]
    assert f"{item['changes']['speed_rpm']['change_pct']:+.2f} %" in text
    assert item["verdict"].upper() in text


MARK_S = 3.21
"""From the start of the last throttle hold."""


def remembered(folder: Path) -> Path:
    """The samples with notes, pairs and marks of the worst kind in one of them."""
    for source in SAMPLES.glob("*.parquet"):
        file = pq.ParquetFile(source)
        meta = json.loads(file.metadata.metadata[META_KEY])
        meta["notes"] = ""
        meta["pairs"] = {"pack": "P1"}
        if source.name.endswith("early_01.parquet"):
            at_s = MARK_S + (last_hold_from_s(load(source).frame) or 0.0)
            meta["pairs"] = {"pack": "<b>[bold]P2|*[/]"}
            meta |= {"notes": HOSTILE, "marks": [{"text": f"noise {HOSTILE}", "time_s": at_s}]}
        write(folder / source.name, file.read(), meta)
    return folder


@pytest.mark.parametrize("ending", [".html", ".md", ".json", "terminal"])
def test_what_a_run_is_remembered_by(
    tmp_path: Path, ending: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = remembered(tmp_path)
    if ending == "terminal":
        assert main(["compare", str(folder), "--baseline", "late"]) == 0
        text = capsys.readouterr().out
    else:
        out = review.report([folder], "late", tmp_path / f"report{ending}", MADE)
        text = out.read_text(encoding="utf-8")
    if ending == ".json":
        noted = {entry["capture"]: entry for entry in json.loads(text)["noted"]}
        (early,) = (entry for name, entry in noted.items() if "early_01" in name)
        (trip,) = (entry for name, entry in noted.items() if "trip" in name)
        ((at_s, mark),) = early["events"]
        assert (early["notes"], mark) == (HOSTILE, f"noise {HOSTILE}")
        assert at_s == pytest.approx(MARK_S)
        assert trip["cause"].startswith("Current is 16.9 A")
        return
    assert not HARMFUL.search(text)
    if ending == ".html":
        assert "<script" not in text and "<b>" not in text
        text = words(text)
    text = text.replace("\\", "") if ending == ".md" else text
    for said in (
        "early_01.parquet: <script>alert('x')</script>",
        "at 3.2 s noise <script>",
        "trip_01.parquet: Current is 16.9 A, over the limit of 15.0 A; at 0.4 s warning: Current",
        "pack: P1 in late, <b>[bold]P2|*[/] or P1 in early",
    ):
        assert said in text
    assert text.count("early_02.parquet:") == 0


def test_json_is_the_comparison_and_the_runs(tmp_path: Path) -> None:
    out = review.report([SAMPLES], "late", tmp_path / "report.json", MADE)
    data = json.loads(out.read_text(encoding="utf-8"))
    compared = json.loads(json.dumps(as_data(review.compare([SAMPLES], "late"))))
    assert {key: data[key] for key in compared} == compared
    assert [run["outcome"] for run in data["runs"]].count("done") == 10
    for run in data["runs"]:
        content = (SAMPLES / run["capture"]).read_bytes()
        assert run["sha256"] == hashlib.sha256(content).hexdigest()


def test_the_keys_of_the_json_stay() -> None:
    """They are a public form: programs of other people read them."""
    data = as_data(review.compare([SAMPLES], "late"))
    item = data["variants"]["early"]
    assert set(data) == {
        "baseline", "variants", "drift_pct", "trends", "warnings", "noted", "steps",
    }  # fmt: skip
    assert set(item) == {
        "changes", "current_per_speed", "power_per_speed", "efficiency_change_pct", "verdict",
        "verdict_sentence", "order", "step", "not_the_change", "vehicle_speed", "alternatives",
        "warnings", "at_equal_speed",
    }  # fmt: skip
    for quantity, unit in (("speed_rpm", "pct"), ("motor_degc_rise", "k")):
        assert set(item["changes"][quantity]) == {
            "baseline", "variant", "baseline_spread", "variant_spread", f"change_{unit}",
            f"ci95_{unit}", "rise_pct", "note", "runs", f"scatter_{unit}", f"known_{unit}",
            f"sources_{unit}", f"detectable_{unit}", "why",
        }  # fmt: skip


def test_one_run_of_a_setup_makes_a_page(tmp_path: Path) -> None:
    paths = sorted(SAMPLES.glob("*_01.parquet"))
    out = review.report(paths, "late", tmp_path / "report.html", MADE)
    assert "cannot tell" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize("ending", [".html", ".md", ".json"])
def test_nothing_is_overwritten(
    tmp_path: Path, ending: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / f"report{ending}"
    out.write_text("mine")
    assert main(["report", str(SAMPLES), "--baseline", "late", "--out", str(out)]) == 2
    assert out.read_text() == "mine"
    assert "nothing is overwritten" in capsys.readouterr().err


def test_the_name_says_the_form(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "report.pdf"
    assert main(["report", str(SAMPLES), "--baseline", "late", "--out", str(out)]) == 2
    assert ".html, .md, .json" in capsys.readouterr().err


def test_a_disk_that_refuses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def report(out: Path) -> int:
        return main(["report", str(SAMPLES), "--baseline", "late", "--out", str(out)])

    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    assert report(tmp_path / "no_folder" / "report.md") == 5
    monkeypatch.setattr(os, "fsync", full)
    assert report(tmp_path / "report.md") == 5
    assert not list(tmp_path.iterdir())


def test_the_command_says_where_it_wrote(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["report", str(SAMPLES), "--baseline", "late"]) == 0
    assert "written: report.html" in capsys.readouterr().out
    assert (tmp_path / "report.html").is_file()


def test_a_comparison_does_not_wait_for_the_drawing() -> None:
    code = "import sys, rig.review, rig.cli; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
