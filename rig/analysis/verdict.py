"""The answer in plain words."""

from __future__ import annotations

import math

from rig.analysis.answers import Change, EfficiencyChange, Verdict
from rig.analysis.inference import runs_needed

WORTH, NOT_WORTH, CANNOT_TELL = "worth it", "not worth it", "cannot tell yet"

SEEN_WITH = 0.8
"""How often the runs that are asked for would show the gain that is sought."""


def verdict(speed: Change | None, efficiency: EfficiencyChange, worth_pct: float) -> Verdict:
    """Whether the gain of speed is real and larger than `worth_pct`."""
    if speed is None or speed.change_pct is None:
        return Verdict(CANNOT_TELL, "Speed was not measured in every run.", None)
    if speed.ci95_pct is None:
        sentence = (
            f"Speed changed by {speed.change_pct:+.2f} %, but with one run of a setup nobody can "
            "say how much of that is chance. Run each setup at least three times, in turn."
        )
        return Verdict(CANNOT_TELL, sentence, None)
    low, high = speed.ci95_pct
    wanted = f"{worth_pct:g} %" if worth_pct else "nothing"
    change = f"Speed changed by {speed.change_pct:+.2f} % ({low:+.2f} to {high:+.2f} at 95 %)"
    needed = _needed(speed, worth_pct)
    if low > worth_pct:
        return Verdict(
            WORTH,
            f"{change}: {'more than ' + wanted if worth_pct else 'a gain'}.{_cost(efficiency)}",
            needed,
        )
    if high < worth_pct or (worth_pct == 0.0 and high <= 0.0):
        reason = f"less than the {wanted} that would be worth having" if worth_pct else "no gain"
        return Verdict(NOT_WORTH, f"{change}: {reason}.{_cost(efficiency)}", needed)
    more = (
        f" About {needed} runs of each setup would tell a change like this from {wanted}."
        if needed is not None
        else f" It lies so near to {wanted} that no reasonable number of runs would tell."
    )
    return Verdict(CANNOT_TELL, f"{change}: it may be more or less than {wanted}.{more}", needed)


def _needed(speed: Change, worth_pct: float) -> int | None:
    """Runs per setup for the scatter seen, to tell the change seen from `worth_pct`."""
    if not speed.scatter_pct or speed.change_pct is None:
        return None
    first, second = speed.runs
    deviation_pct = speed.scatter_pct / math.sqrt(1.0 / first + 1.0 / second)
    return runs_needed(abs(speed.change_pct - worth_pct) / deviation_pct, SEEN_WITH)


def _cost(efficiency: EfficiencyChange) -> str:
    if efficiency.ci95 is None or efficiency.value is None:
        return ""
    low, high = efficiency.ci95
    if high < 0.0:
        return f" Efficiency fell by {-efficiency.value:.2f} %: the rest of the power is heat."
    if low > 0.0:
        return f" Efficiency rose by {efficiency.value:.2f} % too."
    return " No change of efficiency can be told."
