"""`rig help TOPIC`: pages made from the code by `python -m rig.help`, and shipped as text."""

from __future__ import annotations

import difflib
from importlib import resources

from rig.errors import SettingsError

TOPICS = {
    "stand": "every key of stand.toml, with units, ranges, defaults and an example per sensor",
    "alarms": "every cause of an alarm: whether it warns or trips, and what to look at",
    "outcomes": "how a run can end, and the exit codes",
    "functions": "the functions for a notebook",
}


def page(topic: str) -> str:
    """The text (Markdown) of a topic. Raises SettingsError for one that is not there."""
    if topic not in TOPICS:
        near = difflib.get_close_matches(topic, TOPICS, n=1)
        raise SettingsError(
            f"there is no topic {topic!r}",
            where="rig help",
            to_do=f"Did you mean {near[0]}?" if near else f"Topics: {', '.join(TOPICS)}.",
        )
    return (resources.files("rig.help") / f"{topic}.md").read_text(encoding="utf-8")
