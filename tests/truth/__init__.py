"""Tables of how near the figures come to a known truth: `python -m tests.truth [NAME ...]`.

Each module here with a function `table(small=False)` is one table. The suite runs the small ones.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Table:
    """What one table prints, and which of its promises do not hold."""

    title: str
    heads: tuple[str, ...]
    rows: list[tuple[str, ...]] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    """One sentence for each promise that does not hold."""
