"""The stand at rest, before a run arms: the lines are collected, judged, and the verdict put.

The session asks; `rig.stand.resting` has the rules.
"""

from __future__ import annotations

from rig.errors import STOPPED, USAGE
from rig.protocol.records import Data, Hello
from rig.protocol.timeline import Step
from rig.recorder.messages import Ended, Plan
from rig.stand.at_rest import AtRest, RestWindow
from rig.stand.findings import Finding, refusals
from rig.stand.resting import judge
from rig.stand.sampler import Sample, Sampler
from rig.vocabulary import RunOutcome

JUDGE_EVERY_S = 0.5
"""While an operator looks at the stand at rest."""


class BeforeArming:
    """What one board reads at rest. `plan` says what will be asked of it."""

    def __init__(self, plan: Plan, hello: Hello, sampler: Sampler) -> None:
        self._plan, self._hello, self._sampler = plan, hello, sampler
        self._window = RestWindow()
        self._shown: tuple[Finding, ...] | None = None
        self._next_s = 0.0

    def add(self, now_s: float, step: Step, data: Data, sample: Sample) -> None:
        """Take in one line."""
        self._window.add(now_s, step, data, sample)

    def is_enough(self, waited_s: float) -> bool:
        """Whether the stand can be judged, `waited_s` after the board was identified."""
        return self._window.is_enough(waited_s)

    def collected(self, silence_s: float = 0.0) -> AtRest:
        """All that is judged, the newest line `silence_s` old."""
        no_throttle = self._hello.can_throttle and self._plan.automatic and not self._plan.throttle
        lines = tuple(self._window.lines)
        return AtRest(self._plan.stand, self._hello, self._sampler, lines, silence_s, no_throttle)

    def findings(self, silence_s: float) -> tuple[Finding, ...]:
        """What is found now."""
        return judge(self.collected(silence_s))

    def shown(self, now_s: float, silence_s: float) -> tuple[Finding, ...] | None:
        """The same, looked at now and then only. None before there is enough to look at."""
        if now_s >= self._next_s and (self._shown is not None or len(self._window.lines) > 1):
            self._next_s = now_s + JUDGE_EVERY_S
            self._shown = self.findings(silence_s)
        return self._shown


def not_armed(findings: tuple[Finding, ...]) -> Ended | None:
    """One verdict that names all that keeps the stand from being armed, if anything does."""
    refused = refusals(findings)
    if not refused:
        return None
    cause = "not armed: " + " ".join(finding.read for finding in refused)
    to_do = " ".join(dict.fromkeys(finding.look_at for finding in refused if finding.look_at))
    if all(finding.of_settings for finding in refused):
        return Ended(RunOutcome.SETTINGS, USAGE, cause, to_do)
    return Ended(RunOutcome.NOT_ARMED, STOPPED, cause, to_do)
