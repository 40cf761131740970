"""Every kind of block in every form: its words are there, harmless, and names stay as they are."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterable

import pytest

from rig.report.document import (
    Answer,
    Block,
    Bullets,
    Caution,
    Column,
    Figure,
    Heading,
    Key,
    Name,
    Paragraph,
    Svg,
    Table,
)
from rig.report.html import as_html
from rig.report.markdown import as_markdown
from rig.report.terminal import print_blocks

HOSTILE = "<b onclick='x'>|\x1b[31m[red]*\u202e&amp;"
SHOWN = "<b onclick='x'>|\\x1b[31m[red]*\\u202e&amp;"
Render = Callable[[Iterable[Block]], str]


@pytest.fixture(params=["terminal", "html", "markdown"])
def render(
    request: pytest.FixtureRequest,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> Render:
    """Blocks in one form, and what a reader then sees of them, on one line."""
    monkeypatch.setenv("COLUMNS", "200")  # no cell is broken into lines

    def rendered(blocks: Iterable[Block]) -> str:
        if request.param == "terminal":
            print_blocks(blocks)
            return " ".join(capsys.readouterr().out.split())
        if request.param == "markdown":
            text = as_markdown(blocks)
            assert not re.search(r"(?<!\\)[<>]", text)
            return " ".join(re.sub(r"\\([`*\[\]<>|&~\\])", r"\1", text).split())
        page = as_html(blocks)
        assert set(re.findall("<b[^d>]*>", page)) <= {"<body>"}
        page = re.sub("<style>.*?</style>|<title>.*?</title>", "", page, flags=re.DOTALL)
        page = re.sub("</?(bdi|span)[^>]*>", "", page)
        return " ".join(html.unescape(re.sub("<[^>]*>", " ", page)).split())

    return rendered


@pytest.mark.parametrize(
    ("block", "count"),
    [
        (Heading(2, ("about ", Name(HOSTILE))), 1),
        (Paragraph(HOSTILE), 1),
        (Answer(HOSTILE, HOSTILE, "faster", HOSTILE), 3),
        (Table((Column(HOSTILE), Column((Name(HOSTILE),), "number")), (("a", HOSTILE),), "t"), 3),
        (Bullets((HOSTILE, HOSTILE)), 2),
        (Caution(HOSTILE), 1),
    ],
    ids=lambda value: type(value).__name__,
)
def test_all_words_are_shown_and_none_is_obeyed(block: Block, count: int, render: Render) -> None:
    assert render([block]).count(SHOWN) == count


def test_a_figure_is_drawn_only_in_a_page() -> None:
    drawn = []

    def draw() -> Svg:
        drawn.append(1)
        return Svg("<svg></svg>")

    figure = Figure("Runs", (Key(HOSTILE, "●", "#000000", "solid"),), draw, "One dot is one run.")
    print_blocks([figure])
    assert as_markdown([figure]).strip() == ""
    assert not drawn
    page = as_html([figure])
    assert page.count("<svg></svg>") == len(drawn) == 1
    assert html.escape(SHOWN) in page


def test_names_are_not_typeset() -> None:
    name = Name("1 +- 2 -> 3 %")
    page = as_html([Table((Column("a +- b"), Column("c")), (("9 +- 8 %", name),), (name, " +- "))])
    assert page.count(html.escape(name)) == 2
    assert "a ±\N{NO-BREAK SPACE}b" in page
    assert "9 ±\N{NO-BREAK SPACE}8\N{NO-BREAK SPACE}%" in page


def test_a_unit_stands_behind_the_head(render: Render) -> None:
    assert "speed, rpm" in render([Table((Column("speed", "number", "rpm"),), (("1",),))])
