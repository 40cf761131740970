"""How each setup is drawn: a colour, a marker and a line of its own.

Colours are those of Okabe and Ito ("Color Universal Design", 2008), made for all kinds of
colour vision; a setup has a marker and a line of its own too, so that grey paper will do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Look:
    """How one setup is drawn; `sign` is its marker as a character."""

    colour: str
    marker: str
    sign: str
    line: str
    line_name: str


_COLOURS = ("#000000", "#D55E00", "#0072B2", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
_MARKERS = (("o", "●"), ("s", "■"), ("^", "▲"), ("D", "◆"), ("v", "▼"))
_LINES = (("-", "solid"), ("--", "dashed"), (":", "dotted"), ("-.", "dash-dotted"))


def looks(setups: Sequence[str]) -> dict[str, Look]:
    """How each setup is drawn, the baseline first."""
    return {
        setup: Look(
            _COLOURS[index % len(_COLOURS)],
            *_MARKERS[index % len(_MARKERS)],
            *_LINES[index % len(_LINES)],
        )
        for index, setup in enumerate(setups)
    }
