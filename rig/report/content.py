"""What a written report is made of: the comparison, its captures, and who made it when."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.analysis.answers import Comparisons
from rig.analysis.runs import Run
from rig.captures.capture import read_meta
from rig.captures.files import sha256


@dataclass(frozen=True, slots=True)
class Listed:
    """A capture among those that a report is made of; `seconds` is nan where not known."""

    path: Path
    run: Run
    seconds: float
    sha256: str

    @property
    def name(self) -> str:
        """The file's name."""
        return self.path.name


@dataclass(frozen=True, slots=True)
class Report:
    """A comparison, its captures in the order in which they began, and who made it when."""

    comparisons: Comparisons
    captures: Sequence[Listed]
    program: str
    made: datetime

    @property
    def setups(self) -> list[str]:
        """The baseline, then the variants."""
        return [self.comparisons.baseline, *(item.variant for item in self.comparisons.variants)]

    @property
    def stand_name(self) -> str:
        """The one stand of all runs."""
        return self.comparisons.used[0].stand_name

    @property
    def used(self) -> list[Listed]:
        """The captures behind the numbers."""
        used = {id(run) for run in self.comparisons.used}
        return [capture for capture in self.captures if id(capture.run) in used]


def listed(path: Path, run: Run) -> Listed:
    """What a report lists of a capture. Raises InputFileError."""
    seconds = read_meta(path).seconds
    return Listed(path, run, math.nan if seconds is None else float(seconds), sha256(path))
