"""A report as data: the blocks that the terminal, HTML and Markdown render.

A block holds words and rounded numbers as they are. Each renderer makes them harmless in its own
form, and knows blocks only. A new kind of block goes into `Block`; mypy then names every renderer
that lacks it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NewType

Kind = Literal["words", "number", "code"]
Svg = NewType("Svg", str)
"""A drawing that may stand in a page as it is: only `rig.report.plots` makes it."""


class Name(str):
    """A name from outside, such as a setup's: no renderer typesets it, and in HTML its direction
    of writing does not reach its neighbours."""

    __slots__ = ()


Text = str | tuple[str, ...]
"""Words; or parts of them, of which a `Name` comes from outside."""


def joined(text: Text) -> str:
    """`text` as one string."""
    return "".join(text)


@dataclass(frozen=True, slots=True)
class Heading:
    """Level 1 is the title of the whole, 2 a section, 3 a part of one."""

    level: Literal[1, 2, 3]
    text: Text


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One or more sentences; `small` for what is no part of the answer."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What a comparison found: one word, and the sentences behind it.

    `step` says at which throttle step; empty where no run has several.
    """

    baseline: str
    variant: str
    word: str
    sentence: str
    step: str = ""

    @property
    def title(self) -> tuple[str, ...]:
        """What is compared, in parts."""
        at = (f", {self.step}",) if self.step else ()
        return (Name(self.baseline), " -> ", Name(self.variant), *at)


@dataclass(frozen=True, slots=True)
class Column:
    """Numbers are aligned to the right, words to the left; code is a hash or the like."""

    head: Text
    kind: Kind = "words"
    unit: str = ""

    @property
    def title(self) -> tuple[str, ...]:
        """The head with its unit, in parts."""
        parts = (self.head,) if isinstance(self.head, str) else self.head
        return (*parts, f", {self.unit}") if self.unit else parts


@dataclass(frozen=True, slots=True)
class Table:
    """A cell for each of `columns` in every row; numbers come rounded, as text.

    A cell that is a `Name` is shown as it is; in others HTML sets signs such as `+-` as print.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    title: Text = ""


@dataclass(frozen=True, slots=True)
class Bullets:
    """Lines that stand for themselves."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Key:
    """How `name` looks in a figure."""

    name: str
    sign: str
    colour: str
    line: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing, made only when it is rendered; terminal and Markdown leave it out."""

    title: str
    key: tuple[Key, ...]
    draw: Callable[[], Svg]
    caption: str


@dataclass(frozen=True, slots=True)
class Caution:
    """What keeps people from harm."""

    text: str


Block = Heading | Paragraph | Answer | Table | Bullets | Figure | Caution
