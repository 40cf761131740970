"""What a run is remembered by: why it ended, notes, marks, alarms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from rig.text import one_line

_EVENTS_NAMED = 5
"""Marks and alarms of a run that a list names; `rig show` has all."""


def noted(
    notes: str,
    events: Iterable[tuple[float | None, str]],
    *,
    pairs: Mapping[str, str] = MappingProxyType({}),
    cause: str = "",
) -> str:
    """Why the run ended, pairs, notes, marks and alarms, on one line.

    An alarm that says that a reading is back, or that repeats `cause`, is left out. Of many
    events only the first are named. Times are in s.
    """
    named = [
        text if time_s is None else f"at {time_s:.1f} s {text}"
        for time_s, text in events
        if not text.startswith("cleared: ") and not (cause and cause in text)
    ]
    if len(named) > _EVENTS_NAMED:
        named[_EVENTS_NAMED:] = [f"and {len(named) - _EVENTS_NAMED} more marks or alarms"]
    parts = [cause, *(f"{key}: {value}" for key, value in pairs.items()), notes, *named]
    return "; ".join(one_line(part).removesuffix(".") for part in parts if part.strip())
