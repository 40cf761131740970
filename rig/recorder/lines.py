"""The account of a board's lines: decoded and timed, how many are good or lost, when one came.

Sans I/O: the session says what time it is.
"""

from __future__ import annotations

from typing import Any

from rig.protocol.decoder import Decoder
from rig.protocol.records import Data
from rig.protocol.timeline import Step, Timeline
from rig.recorder.messages import LinkFigures

FIRST_RATE_AFTER_S = 0.5


class Lines:
    """What came over one link, from `now_s` on."""

    def __init__(self, now_s: float) -> None:
        self.decoder = Decoder()
        self.timeline = Timeline()
        self.heard_bytes = False
        self.newest_s = now_s
        """When the newest data line came."""
        self.lost_since_s: float | None = None
        """Since when the link is lost."""
        self._lost_before = 0
        self._counted = 0
        self._counted_since_s = now_s
        self._per_s = 0.0

    def accept(self, data: Data, now_s: float) -> Step | None:
        """Time one data line; None if it came before. Raises BoardRestartedError."""
        self.newest_s = now_s
        self._counted += 1
        return self.timeline.accept(data)

    def begin_anew(self) -> None:
        """Time the lines of another boot. What was lost before stays lost."""
        self._lost_before += self.timeline.lost
        self.timeline = Timeline()

    def figures(self, now_s: float) -> LinkFigures:
        """How the link is doing."""
        counts = self.decoder.counts
        return LinkFigures(
            lines_per_s=self._rate_per_s(now_s),
            good=counts.good,
            lost=self._lost_before + self.timeline.lost,
            rejected=counts.rejected.total(),
        )

    def statistics(self) -> dict[str, Any]:
        """What the journal keeps of all lines."""
        counts = self.decoder.counts
        return {
            "good": counts.good,
            "unknown": counts.unknown,
            "before_first": counts.before_first,
            "rejected": {fault.value: number for fault, number in counts.rejected.items()},
            "lost": self._lost_before + self.timeline.lost,
            "repeated": self.timeline.repeated,
            "late": self.timeline.late,
        }

    def _rate_per_s(self, now_s: float) -> float:
        """Lines in the last second or so."""
        span_s = now_s - self._counted_since_s
        if span_s >= (1.0 if self._per_s else FIRST_RATE_AFTER_S):
            self._per_s = self._counted / span_s
            self._counted_since_s, self._counted = now_s, 0
        return self._per_s
