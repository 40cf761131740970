"""What a check of the stand at rest finds, in words. Picklable, for the screen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from rig.stand.watches import Alarm

Severity = Literal["refuse", "note"]
REFUSE: Final = "refuse"
NOTE: Final = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """`refuse`: the run must not arm. `note`: said, and kept in the capture.

    `read` is a sentence on what was read and what it should be, `look_at` what to check.
    `of_settings`: the plan or stand.toml has to change, not the wiring. `alarm` is the limit
    that is passed at rest, where it is one.
    """

    severity: Severity
    about: str
    read: str
    look_at: str
    of_settings: bool = False
    alarm: Alarm | None = None

    @property
    def sentence(self) -> str:
        """All of it."""
        return f"{self.read} {self.look_at}".strip()


def refusals(findings: tuple[Finding, ...]) -> list[Finding]:
    """Those that keep the stand from being armed."""
    return [finding for finding in findings if finding.severity == REFUSE]
