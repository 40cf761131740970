"""A report as Markdown: what the terminal says, and the list of captures."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from rig.analysis.answers import Comparison
from rig.report.content import CAPTURE_HEADS, CAUTIONS, Report, capture_rows
from rig.report.words import (
    ALTERNATIVE_HEADS,
    ESTIMATED,
    alternative_rows,
    alternative_title,
    answer,
    change_heads,
    change_rows,
    change_title,
    condition_lines,
    cost_lines,
    drift_lines,
    noted_lines,
    told,
    trend_lines,
)
from rig.text import plain


def as_markdown(report: Report) -> str:
    """The whole report; tables as GitHub's Markdown has them."""
    return "\n".join(_lines(report)) + "\n"


def _lines(report: Report) -> Iterator[str]:
    yield f"# Test stand report: {_text(report.stand_name)}"
    for item in report.comparisons.variants:
        yield from _variant(item)
    yield from ("", "## Notes", "")
    yield from (f"- {_text(line)}" for line in drift_lines(report.comparisons))
    yield from (f"- trend: {_text(line)}" for line in trend_lines(report.comparisons))
    yield from (f"- {_text(line)}" for line in report.comparisons.warnings)
    lines = noted_lines(report.comparisons)
    if lines:
        yield from ("", "## What was noted", "", *(f"- {_text(line)}" for line in lines))
    yield from ("", "## Captures", "")
    yield from _table(CAPTURE_HEADS, capture_rows(report))
    made = f"Made by {report.program}, {report.made:%Y-%m-%d %H:%M:%S %Z}."
    yield from ("", CAUTIONS, "", _text(made))


def _variant(item: Comparison) -> Iterator[str]:
    yield from ("", f"## {_text(answer(item))}", "", _text(item.verdict.sentence), "")
    yield from (_text(change_title(item)), "")
    yield from _table(change_heads(item), change_rows(told(item)))
    yield ""
    yield from (f"- {_text(line)}" for line in cost_lines(item))
    alternatives = alternative_rows(item)
    if alternatives:
        yield from ("", _text(alternative_title(item)), "")
        yield from _table(ALTERNATIVE_HEADS, alternatives)
        yield from ("", f"- {_text(ESTIMATED)}")
    yield from (f"- difference in the conditions: {_text(line)}" for line in condition_lines(item))


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    yield _row(heads)
    yield _row(["---:" if head.endswith(" ") else "---" for head in heads], as_is=True)
    yield from map(_row, rows)


def _row(cells: Sequence[str], *, as_is: bool = False) -> str:
    return f"| {' | '.join(cells if as_is else map(_text, cells))} |"


def _text(words: str) -> str:
    """Words on one line in which nothing is taken for a mark, a link or an element."""
    return re.sub(r"([\\`*\[\]<>|&~])", r"\\\1", " ".join(plain(words).split()))
