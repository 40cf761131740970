"""How far the converter's reference has moved since calibration, from the board's own channel.

The channel counts a voltage that the supply does not move (a bandgap) against the supply, which is
the converter's reference: reference = constant / count. So what a reference was measured as at
calibration, times the count then over the count now, is the reference now.

One line's count is noisy: a step of 225 is 0.4 %. The mean of the last second has a tenth of that,
and a supply does not move faster in steady running. It is a mean over whole lines of whole counts,
so the live path and the bulk path agree to the last digit.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import SettingsError
from rig.protocol.records import Channel
from rig.stand.model import Divider, Reference, Shunt, Stand

Ints = NDArray[np.int64]

QUANTITY = "reference"
"""What a board calls the quantity of such a channel."""

MOVED_PCT = 0.3
"""From so many percent on, a reference that moved is worth a word: ours, no source."""

SMOOTHED_S = 1.0

FARTHEST = 2.0
"""At half or at double its voltage at calibration a supply runs no board: such a count is wrong."""


class ReferenceMeter:
    """The `ratio` of the reference to that at calibration, from one board's channel.

    Before the first usable count it is 1. Raises SettingsError for a channel of another quantity.
    """

    def __init__(self, settings: Reference, channel: Channel, line_hz: int) -> None:
        if channel.quantity != QUANTITY:
            raise SettingsError(
                f"the board's channel {channel.label!r} measures {channel.quantity!r}, "
                f"not {QUANTITY!r}",
                where="stand.toml, reference.board_label",
            )
        self.index = channel.index
        self.ratio = 1.0
        self._zero = channel.zero
        self._at_calibration = settings.count_at_calibration * channel.conversions
        self._lowest = max(channel.lowest_count + channel.zero, self._at_calibration / FARTHEST)
        self._highest = min(channel.highest_count + channel.zero, self._at_calibration * FARTHEST)
        self._lines = max(round(SMOOTHED_S * line_hz), 1)
        self._kept: deque[int] = deque()
        self._total = 0

    def take(self, count: int) -> bool:
        """One line's count; whether it could be used. If not, the ratio stays."""
        raw = count + self._zero
        if not self._lowest < raw < self._highest:
            return False
        self._kept.append(raw)
        self._total += raw
        if len(self._kept) > self._lines:
            self._total -= self._kept.popleft()
        self.ratio = self._at_calibration * len(self._kept) / self._total
        return True

    def take_all(self, counts: Ints) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """The same for the next lines: the ratio after each, and which counts were usable."""
        raw = counts + self._zero
        good = (self._lowest < raw) & (raw < self._highest)
        held = len(self._kept)
        sums = np.concatenate([[0], np.cumsum([*self._kept, *raw[good].tolist()], dtype=np.int64)])
        ends = held + np.cumsum(good)
        starts = np.maximum(ends - self._lines, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = self._at_calibration * (ends - starts) / (sums[ends] - sums[starts])
        ratios: NDArray[np.float64] = np.where(ends > 0, means, self.ratio)
        if len(ratios):
            self._kept = deque(np.diff(sums)[-self._lines :].tolist())
            self._total = sum(self._kept)
            self.ratio = float(ratios[-1])
        return ratios, good


@dataclass(frozen=True, slots=True)
class CountScale:
    """Where a capture has the reference's counts, and how they become those of one conversion."""

    column: str
    conversions: int
    zero: int


def moved_words(stand: Stand, ratio: float) -> str:
    """What to say of a reference at `ratio` of that at calibration; empty where it is near enough.

    Near enough is what `reference_v` may be wrong by anyway, and `MOVED_PCT`.
    """
    tolerances = [
        100.0 * 3**0.5 * c.sensor.reference_v.u / c.sensor.reference_v.value
        for c in stand.channels
        if isinstance(c.sensor, Shunt | Divider)
    ]
    percent = 100.0 * (ratio - 1.0)
    if stand.reference is None or abs(percent) <= max(MOVED_PCT, *tolerances, 0.0):
        return ""
    return (
        f"The board's supply, the converter's reference, is {abs(percent):.1f} % "
        f"{'below' if percent < 0.0 else 'above'} that at calibration. Current and voltage are "
        "corrected for it."
    )


def ratio_of(settings: Reference | None, mean_count: Any) -> float:
    """The ratio for a run's mean count of one conversion; 1 where one of the two is not known."""
    if settings is None or mean_count is None or not mean_count > 0.0:
        return 1.0
    return settings.count_at_calibration / float(mean_count)
