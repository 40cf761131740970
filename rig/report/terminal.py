"""Blocks as lines of a terminal, fitted to its width. Figures are left out."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import assert_never

from rich import box
from rich.console import Console
from rich.markup import escape
from rich.progress import Progress
from rich.table import Table as RichTable
from rich.text import Text as RichText

from rig.report.document import (
    Answer,
    Block,
    Bullets,
    Caution,
    Column,
    Figure,
    Heading,
    Paragraph,
    Table,
    Text,
    joined,
)
from rig.text import plain

NARROWEST = 72
"""Columns to print for where there is no terminal to ask."""

_NARROWEST_WORDS = 11
"""Columns in which words can still be read: `temperature`."""


def print_blocks(blocks: Iterable[Block]) -> None:
    """On standard output; nothing in a block can steer a terminal."""
    for block in blocks:
        _print(block)


def _print(block: Block) -> None:
    match block:
        case Heading():
            console().print()
            _say(block.text)
        case Paragraph(text) | Caution(text):
            _say(text)
        case Answer():
            console().print()
            _say((*block.title, f": {block.word.upper()}"))
            _say(block.sentence)
        case Table():
            _print_table(block)
        case Bullets(lines):
            for line in lines:
                _say(f"- {line}")
        case Figure():
            pass
        case _:
            assert_never(block)


def _say(text: Text) -> None:
    console().print(plain(joined(text)), soft_wrap=True)


def _print_table(table: Table) -> None:
    title = RichText(plain(joined(table.title))) if table.title else None
    shown = RichTable(box=box.SIMPLE_HEAD, pad_edge=False, title=title, title_justify="left")
    rows = [[plain(cell) for cell in row] for row in table.rows]
    heads = [plain(joined(column.title)) for column in table.columns]
    whole = _fit(table.columns, [heads, *rows], console().width)
    for column, head in zip(table.columns, heads, strict=True):
        is_number = column.kind == "number"
        shown.add_column(
            RichText(head),
            justify="right" if is_number else "left",
            no_wrap=is_number and whole,
            overflow="fold",
        )
    for row in rows:
        shown.add_row(*map(RichText, row))
    console().print(shown)


def _fit(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> bool:
    """Whether the numbers fit on one line each beside words that are wrapped."""
    needed = [
        max(map(len, cells)) if column.kind == "number" else _NARROWEST_WORDS
        for column, *cells in zip(columns, *rows, strict=True)
    ]
    return sum(needed) + 3 * len(needed) - 1 <= width


def console() -> Console:
    """Where results are printed: never narrower than a table needs."""
    width = max(shutil.get_terminal_size((100, 24)).columns, NARROWEST)
    return Console(width=width, highlight=False, markup=False, emoji=False)


@contextmanager
def progress(title: str) -> Iterator[Callable[[float], None]]:
    """A bar on the error output while something long is done; the share done goes in."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(escape(plain(title)), total=1.0)
        yield lambda share: bar.update(task, completed=share)
