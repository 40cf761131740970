"""One run as a comparison takes it in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from rig.analysis.derived import Stand, derived
from rig.stand.model import Limits


@dataclass(frozen=True, slots=True)
class Step:
    """One throttle step of a run, numbered from 1 in the order made.

    The other fields are as in `Run`; `why` says why it has no figures.
    """

    number: int = 0
    throttle_pct: float = math.nan
    hold_from_s: float = math.nan
    window_s: tuple[float, float] = (math.nan, math.nan)
    figures: Mapping[str, float] = field(default_factory=dict)
    errors: Mapping[str, float] = field(default_factory=dict)
    still_rising: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True)
class Run:
    """The figures of one run at one of its steps, the last if not said, and what is known of it.

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
    limits: Limits | None = None
    """The stand's limits in this run; None where they are not known."""
    cells: int | None = None
    window_s: tuple[float, float] = (math.nan, math.nan)
    """The steady part, in s from the start of the step's throttle hold, which lies at
    `hold_from_s` on the capture's time scale."""
    hold_from_s: float = math.nan
    notes: str = ""
    cause: str = ""
    """Why the run ended."""
    pairs: Mapping[str, str] = field(default_factory=dict)
    """Free pairs of the tester's, such as `pack: P1`."""
    events: tuple[tuple[float | None, str], ...] = ()
    """Marks and alarms: time in seconds on the scale of `window_s`, and words."""
    alarms: frozenset[tuple[str, str]] = frozenset()
    """Severity ("warning" or "trip") and quantity of each alarm."""
    still_rising: tuple[str, ...] = ()
    """The temperatures that still rose when the recording ended."""
    identity: str = ""
    """The same for all exact copies of a run; empty where it is not known."""
    follows_reference: bool = False
    """The readings were corrected for how the converter's reference moved."""
    left_out: str = ""
    """Why a comparison cannot use it, where that is known beforehand."""
    steps: tuple[Step, ...] = ()
    """All throttle steps in the order made."""
    step: int = 0
    """The number of the one that the figures are of."""

    @property
    def coldest_start_degc(self) -> float:
        """The coldest sensor at the start, the nearest to the air's temperature; or nan."""
        starts = [value for key, value in self.figures.items() if key.endswith("_degc_start")]
        return min(starts, default=math.nan)

    @cached_property
    def measured(self) -> Mapping[str, Any]:
        """The figures that the calibration knows, with their uncertainty."""
        if self.stand is None:
            return {}
        known = self.stand(self.figures)
        return {**known, **derived(self.figures, known, self.stand)}
