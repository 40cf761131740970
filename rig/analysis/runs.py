"""One run as a comparison takes it in."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

Stand = Callable[[Mapping[str, float]], Mapping[str, Any]]
"""A calibration: means in, the same with their uncertainty out, as `UFloat`s of the
`uncertainties` library that share the stand's components as variables."""


@dataclass(frozen=True, slots=True)
class Run:
    """The figures of one run, and what is known about it.

    `stand` is the same object for all runs with the same calibration, so that a gain error
    cancels in a ratio; None where no calibration is known. `began_s` is in seconds of any one
    clock, nan where it is not known.
    """

    name: str
    setup: str
    outcome: str
    figures: Mapping[str, float]
    errors: Mapping[str, float] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)
    began_s: float = math.nan
    throttle: tuple[tuple[float, float], ...] = ()
    stand_name: str = ""
    stand: Stand | None = None
    limits: Mapping[str, float] = field(default_factory=dict)
    """The highest readings allowed, by column."""
    cells: int | None = None
    window_s: tuple[float, float] = (math.nan, math.nan)
    """The steady part, in s from the start of the last throttle hold, which lies at
    `hold_from_s` on the capture's time scale."""
    hold_from_s: float = math.nan
    left_out: str = ""
    """Why a comparison cannot use it, where that is known beforehand."""

    @property
    def coldest_start_degc(self) -> float:
        """The coldest sensor at the start, the nearest to the air's temperature; or nan."""
        starts = [value for key, value in self.figures.items() if key.endswith("_degc_start")]
        return min(starts, default=math.nan)

    def measured(self) -> Mapping[str, Any]:
        """The means that the calibration knows, with their uncertainty."""
        return self.stand(self.figures) if self.stand is not None else {}
