"""Blocks as one HTML page: it needs no network, runs no script, and prints.

`Html` is text that may stand in a page. Only the few functions here make it, and all text
goes through `text`, so a type checker finds a string that was not made harmless.
"""

from __future__ import annotations

import html
from collections.abc import Iterable
from typing import NewType, assert_never

from rig.report.document import (
    Answer,
    Block,
    Bullets,
    Caution,
    Figure,
    Heading,
    Name,
    Paragraph,
    Table,
    Text,
    joined,
)
from rig.text import plain

Html = NewType("Html", str)

_ROWS_ON_A_PAGE = 20
"""A table of more may be broken where a page of paper ends."""

_PRINTED = {
    "+- ": "±\N{NO-BREAK SPACE}",
    " -> ": " → ",
    " %": "\N{NO-BREAK SPACE}%",
}

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
.small, figcaption, .title { font-size: .85rem; color: #333; }
figure { margin: .8rem 0; }
svg { display: block; width: 100%; max-width: 38rem; height: auto; }
.key { display: flex; flex-wrap: wrap; gap: .1rem 1.2rem; margin: .3rem 0; padding: 0;
  list-style: none; }
.table { overflow-x: auto; margin: .5rem 0; }
.title { margin: .5rem 0 0; }
.caution { margin-top: 2rem; border-top: 1px solid #999; padding-top: .6rem; }
table { border-collapse: collapse; font-size: .85rem; overflow-wrap: normal; }
th, td { padding: .2rem .7rem .2rem 0; text-align: left; vertical-align: top;
  border-bottom: 1px solid #ddd; }
th { border-bottom: 1px solid #111; vertical-align: bottom; }
.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
th.number { white-space: normal; }
th bdi { overflow-wrap: anywhere; }
td.code { font-family: monospace; font-size: .75rem; overflow-wrap: anywhere; min-width: 17rem; }
ul { padding-left: 1.3rem; }
li { margin: .2rem 0; }
@media (max-width: 36rem) {
  table { font-size: .75rem; }
  th, td { padding-right: .4rem; }
  .number { white-space: normal; }
}
@media (max-width: 26rem) {
  body { padding: .6rem; }
  table { font-size: .7rem; }
  th, td { padding-right: .3rem; }
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


def as_html(blocks: Iterable[Block]) -> str:
    """The whole page; its first heading is its title too."""
    shown = list(blocks)
    title = next((joined(block.text) for block in shown if isinstance(block, Heading)), "")
    viewport = "width=device-width, initial-scale=1"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="{viewport}">\n'
        f"<title>{text(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(map(_block, shown))
        + "\n</body>\n</html>\n"
    )


def _block(block: Block) -> Html:
    match block:
        case Heading():
            return element(f"h{block.level}", parts(block.text))
        case Paragraph():
            return element("p", text(block.text), kind="small" if block.small else "")
        case Answer():
            return _answer(block)
        case Table():
            return _table(block)
        case Bullets(lines):
            return element("ul", *(element("li", text(line)) for line in lines))
        case Figure():
            return _figure(block)
        case Caution():
            return element("p", text(block.text), kind="caution")
        case _:
            assert_never(block)


def _answer(answer: Answer) -> Html:
    return element(
        "section",
        element("p", parts(answer.title)),
        element("p", text(answer.word), kind="word"),
        element("p", text(answer.sentence)),
        kind="answer",
    )


def _table(table: Table) -> Html:
    kinds = [column.kind if column.kind != "words" else "" for column in table.columns]
    heads = zip(kinds, table.columns, strict=True)
    inside = element(
        "table",
        element("thead", _row(element("th", parts(column.title), kind=k) for k, column in heads)),
        element("tbody", *(_row(map(_cell, row, kinds)) for row in table.rows)),
    )
    above = element("p", parts(table.title), kind="title") if table.title else Html("")
    kind = "table long" if len(table.rows) > _ROWS_ON_A_PAGE else "table"
    return Html(above + element("div", inside, kind=kind))


def _row(cells: Iterable[Html]) -> Html:
    return element("tr", *cells)


def _cell(words: str, kind: str) -> Html:
    as_is = isinstance(words, Name) or kind == "code"
    return element("td", isolated(words if as_is else _set(words)), kind=kind)


def _figure(figure: Figure) -> Html:
    key = (
        element(
            "li",
            Html(f'<span style="color:{text(entry.colour)}">{text(entry.sign)}</span> '),
            isolated(entry.name),
            text(f" ({entry.line})"),
        )
        for entry in figure.key
    )
    caption = element("figcaption", text(figure.caption))
    drawing = element("figure", element("ul", *key, kind="key"), Html(figure.draw()), caption)
    return Html(element("h2", text(figure.title)) + drawing)


# Words


def text(words: str) -> Html:
    """Words that neither the page nor the direction of writing can be steered with."""
    return Html(html.escape(plain(words)))


def isolated(words: str) -> Html:
    """Words from outside: what is written from right to left stays within them."""
    return Html(f"<bdi>{text(words)}</bdi>")


def parts(words: Text) -> Html:
    """A head or title: names from outside as they are, the rest typeset."""
    each = (words,) if isinstance(words, str) else words
    return Html("".join(isolated(p) if isinstance(p, Name) else text(_set(p)) for p in each))


def _set(words: str) -> str:
    """As a printer sets it: no line ends within an uncertainty or before a percent sign."""
    for typed, printed in _PRINTED.items():
        words = words.replace(typed, printed)
    return words


def element(name: str, *inside: Html, kind: str = "") -> Html:
    """An element of the page, `kind` its class; neither comes from outside."""
    opening = f'{name} class="{kind}"' if kind else name
    return Html(f"<{opening}>{''.join(inside)}</{name}>")
