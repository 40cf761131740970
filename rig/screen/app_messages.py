"""What reaches the screen from outside its own event loop."""

from __future__ import annotations

from textual.message import Message

from rig.headless import Outcome
from rig.recorder.messages import Ended, Event


class SnapshotWaits(Message):
    """A newer snapshot than the last one shown waits in the feed."""


class Happened(Message):
    """Something the operator must be told."""

    def __init__(self, event: Event) -> None:
        super().__init__()
        self.event = event


class RunEnded(Message):
    """The recorder's last word."""

    def __init__(self, ended: Ended) -> None:
        super().__init__()
        self.ended = ended


class Concluded(Message):
    """The capture is made, or could not be."""

    def __init__(self, outcome: Outcome, figures: list[tuple[str, str]]) -> None:
        super().__init__()
        self.outcome = outcome
        self.figures = figures
