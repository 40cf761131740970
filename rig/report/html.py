"""A report as one HTML page: it needs no network, runs no script, and prints.

`Html` is text that may stand in a page. Only the few functions here make it, and all text
goes through `text`, so a type checker finds a string that was not made harmless.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence
from typing import NewType

from rig.analysis.answers import Comparison
from rig.report import plots
from rig.report.content import CAPTURE_HEADS, CAUTIONS, Report, capture_rows
from rig.report.traces import trace
from rig.report.words import (
    ALTERNATIVE_HEADS,
    BUDGET_HEADS,
    ESTIMATED,
    alternative_rows,
    alternative_title,
    budget_rows,
    change_heads,
    change_rows,
    change_title,
    condition_lines,
    cost_lines,
    drift_lines,
    hold_words,
    noted_lines,
    trend_lines,
)
from rig.stand.quantities import is_temperature
from rig.text import plain

Html = NewType("Html", str)

MAIN = ("speed_rpm", "current_a", "power_w")
TRACED = ("speed_rpm", "current_a")

_SPANS, _SPANS_OF_ALL = 250, 4000
"""Spans into which a run is thinned, and all runs together: the file stays below 1.5 MB."""

_TEMPERATURES_SHOWN = 6

_STYLE = Html("""
:root { color-scheme: light; }
body { color: #111; background: #fff; font: 1rem/1.45 system-ui, sans-serif;
  max-width: 46rem; margin: 0 auto; padding: 1rem; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.15rem; margin: 2rem 0 .5rem; border-bottom: 1px solid #999; }
h3 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
.answer { border: 2px solid #111; border-radius: .3rem; padding: .6rem .9rem; margin: .8rem 0; }
.answer p { margin: .2rem 0; }
.word { font-size: 1.5rem; font-weight: bold; text-transform: uppercase; }
.small, figcaption, footer, .title { font-size: .85rem; color: #333; }
figure { margin: .8rem 0; }
svg { display: block; width: 100%; max-width: 38rem; height: auto; }
.key { display: flex; flex-wrap: wrap; gap: .1rem 1.2rem; margin: .3rem 0; padding: 0;
  list-style: none; }
.table { overflow-x: auto; margin: .5rem 0; }
.title { margin: .5rem 0 0; }
footer { margin-top: 2rem; border-top: 1px solid #999; }
table { border-collapse: collapse; font-size: .85rem; overflow-wrap: normal; }
th, td { padding: .2rem .7rem .2rem 0; text-align: left; vertical-align: top;
  border-bottom: 1px solid #ddd; }
th { border-bottom: 1px solid #111; vertical-align: bottom; }
.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
th.number { white-space: normal; overflow-wrap: anywhere; min-width: 3rem; }
td.hash { font-family: monospace; font-size: .75rem; overflow-wrap: anywhere; min-width: 17rem; }
li { margin: .2rem 0; }
@media (max-width: 36rem) {
  table { font-size: .75rem; }
  th, td { padding-right: .4rem; }
  .number { white-space: normal; }
}
@page { margin: 15mm; }
@media print {
  body { max-width: none; padding: 0; font-size: 10pt; }
  h2, h3, .title { break-after: avoid; }
  svg { max-width: 110mm; }
  figure, .answer, tr { break-inside: avoid; }
  .table { overflow: visible; break-inside: avoid; }
  .table.long { break-inside: auto; }
}
""")


def as_html(report: Report) -> str:
    """The whole page. Captures are read again for the traces. Raises InputFileError."""
    made = f"{report.program}, {report.made:%Y-%m-%d %H:%M:%S %Z}"
    title = text(f"Test stand report: {report.stand_name}")
    body = [
        element("h1", text("Test stand report: "), named(report.stand_name)),
        element("p", text(f"{len(report.captures)} captures, {made}"), kind="small"),
        *(_answer(item) for item in report.comparisons.variants),
        *_figures(report),
        *(part for item in report.comparisons.variants for part in _numbers(item)),
        *_rest(report),
        element("footer", element("p", text(CAUTIONS)), element("p", text(f"Made by {made}."))),
    ]
    viewport = "width=device-width, initial-scale=1"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="{viewport}">\n'
        f"<title>{title}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + "\n</body>\n</html>\n"
    )


# Parts of the page


def _answer(item: Comparison) -> Html:
    step = text(f", {item.step}" if item.step else "")
    return element(
        "section",
        element("p", named(item.baseline), text(" → "), named(item.variant), step),
        element("p", text(item.verdict.word), kind="word"),
        element("p", text(item.verdict.sentence)),
        kind="answer",
    )


def _figures(report: Report) -> Iterable[Html]:
    look = plots.looks(report.setups)
    runs = list(report.comparisons.used)
    key = element(
        "ul",
        *(
            element(
                "li",
                Html(f'<span style="color:{found.colour}">{found.sign}</span> '),
                named(setup),
                text(f" ({found.line_name})"),
            )
            for setup, found in look.items()
        ),
        kind="key",
    )
    if any(list(plots.percents(item)) for item in report.comparisons.variants):
        yield element("h2", text("Changes"))
        yield _figure(
            key,
            plots.changes_plot(report.comparisons, look),
            "Changes in percent, with their 95 % intervals. An interval that crosses the line at "
            "zero may be no change at all. Rises of temperature are in the table below.",
        )
    columns = [
        column
        for column in MAIN
        if all(math.isfinite(run.figures.get(column, math.nan)) for run in runs)
    ]
    if columns:
        yield element("h2", text("Runs"))
        yield _figure(
            key,
            plots.runs_plot(runs, columns, look),
            "One dot is one run, its mean over the steady part. Lines are the means of the "
            "setups, bars the 95 % interval of each mean from its own runs alone.",
        )
    yield element("h2", text("Over time"))
    yield from _over_time(report, key, look)


def _over_time(report: Report, key: Html, look: dict[str, plots.Look]) -> Iterable[Html]:
    used = report.used
    spans = min(_SPANS, max(20, _SPANS_OF_ALL // len(used)))
    temperatures = list(
        dict.fromkeys(
            column for capture in used for column in capture.run.figures if is_temperature(column)
        )
    )[:_TEMPERATURES_SHOWN]
    traces = [
        (
            look[capture.run.setup],
            trace(capture.path, (*TRACED, *temperatures), spans, capture.run.hold_from_s),
        )
        for capture in used
    ]
    steady_s = plots.common([capture.run.window_s for capture in used])
    shaded = "Shaded: steady in every run." if steady_s else "No time is steady in every run."
    since = hold_words([capture.run for capture in used])
    has = {column for _, found in traces for column in found.low}
    columns = [column for column in TRACED if column in has]
    if columns:
        yield _figure(
            key,
            plots.traces_plot(traces, columns, steady_s, since, driven_only=True),
            f"All runs over each other, from the start of {since}; the band is from "
            f"the lowest to the highest reading. {shaded}",
        )
    columns = [column for column in temperatures if column in has]
    if columns:
        yield element("h2", text("Temperatures"))
        yield _figure(
            key,
            plots.traces_plot(traces, columns, steady_s, since, driven_only=False),
            f"The whole of each run: a motor is hottest after it has stopped. {shaded}",
        )


def _numbers(item: Comparison) -> Iterable[Html]:
    yield element("h2", text("Numbers: "), named(item.baseline), text(" → "), named(item.variant))
    title = change_title(item).replace("+-", "±")
    yield table(_set(change_heads(item)), map(_set, change_rows(item.changes)), title=title)
    yield element("h3", text("What the intervals are made of"))
    title = (
        "Standard uncertainties of the change: from the scatter between runs, and known "
        "beforehand (the stand's components where their errors do not cancel, the conditions); "
        "and the latter's share of the variance."
    )
    yield table(BUDGET_HEADS, map(_set, budget_rows(item)), title=title)
    yield element("h3", text("What it cost"))
    yield bullets(cost_lines(item))
    alternatives = [_set(row) for row in alternative_rows(item)]
    if alternatives:
        yield element("h3", text("What else would give that speed, estimated"))
        title = f"{alternative_title(item)}; {ESTIMATED}.".replace("+-", "±")
        yield table(ALTERNATIVE_HEADS, alternatives, title=title)
    yield element("h3", text("What differs in addition to the change under test"))
    yield bullets(condition_lines(item) or ["Nothing that was measured."])


def _set(row: Sequence[str]) -> list[str]:
    """A row of numbers as a printer sets them: a percent sign does not leave its number."""
    return [cell.replace("+-", "±").replace(" %", "\N{NO-BREAK SPACE}%") for cell in row]


def _rest(report: Report) -> Iterable[Html]:
    comparisons = report.comparisons
    trends = trend_lines(comparisons)
    if trends:
        yield element("h2", text("Trend"))
        yield bullets(trends)
    yield element("h2", text("Drift"))
    yield from (element("p", text(line)) for line in drift_lines(comparisons))
    yield element("h2", text("Warnings"))
    yield bullets(comparisons.warnings or ["None."])
    lines = noted_lines(comparisons)
    if lines:
        yield element("h2", text("What was noted"))
        yield bullets(lines)
    yield element("h2", text("Captures"))
    yield table(CAPTURE_HEADS, capture_rows(report), last="hash", kind="table long")


# Elements


def text(words: str) -> Html:
    """Words that neither the page nor the direction of writing can be steered with."""
    return Html(html.escape(plain(words)))


def named(words: str) -> Html:
    """A name from outside: what is written from right to left stays within it."""
    return Html(f"<bdi>{text(words)}</bdi>")


def element(name: str, *inside: Html, kind: str = "") -> Html:
    """An element of the page, `kind` its class; neither comes from outside."""
    opening = f'{name} class="{kind}"' if kind else name
    return Html(f"<{opening}>{''.join(inside)}</{name}>")


def bullets(lines: Iterable[str]) -> Html:
    """A list."""
    return element("ul", *(element("li", text(line)) for line in lines))


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    title: str = "",
    last: str = "",
    kind: str = "table",
) -> Html:
    """A table; numbers (heads ending in a blank) to the right, the last column of class `last`."""
    kinds = ["number" if head.endswith(" ") else "" for head in heads]
    kinds[-1] = kinds[-1] or last

    def row(cell: str, words: Sequence[str]) -> Html:
        pairs = zip(words, kinds, strict=True)
        return element("tr", *(element(cell, named(word), kind=kind) for word, kind in pairs))

    inside = element(
        "table",
        element("thead", row("th", [head.rstrip() for head in heads])),
        element("tbody", *(row("td", cells) for cells in rows)),
    )
    above = element("p", text(title), kind="title") if title else Html("")
    return Html(above + element("div", inside, kind=kind))


def _figure(key: Html, drawing: str, caption: str) -> Html:
    return element("figure", key, Html(drawing), element("figcaption", text(caption)))
