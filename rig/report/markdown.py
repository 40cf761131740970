"""Blocks as Markdown, tables as GitHub has them. Figures are left out."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import assert_never

from rig.report.document import (
    Answer,
    Block,
    Bullets,
    Caution,
    Figure,
    Heading,
    Paragraph,
    Table,
    Text,
    joined,
)
from rig.text import plain


def as_markdown(blocks: Iterable[Block]) -> str:
    """The whole document."""
    return "\n\n".join(part for block in blocks if (part := "\n".join(_lines(block)))) + "\n"


def _lines(block: Block) -> Iterator[str]:
    match block:
        case Heading(level, text):
            yield f"{'#' * level} {_text(text)}"
        case Paragraph(text) | Caution(text):
            yield _text(text)
        case Answer():
            yield f"## {_text((*block.title, f': {block.word.upper()}'))}"
            yield from ("", _text(block.sentence))
        case Table():
            yield from _table(block)
        case Bullets(lines):
            yield from (f"- {_text(line)}" for line in lines)
        case Figure():
            pass
        case _:
            assert_never(block)


def _table(table: Table) -> Iterator[str]:
    if table.title:
        yield from (_text(table.title), "")
    yield _row([_text(column.title) for column in table.columns])
    yield _row(["---:" if column.kind == "number" else "---" for column in table.columns])
    yield from (_row(list(map(_text, row))) for row in table.rows)


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _text(text: Text) -> str:
    """Words on one line in which nothing is taken for a mark, a link or an element."""
    return re.sub(r"([\\`*\[\]<>|&~])", r"\\\1", " ".join(plain(joined(text)).split()))
