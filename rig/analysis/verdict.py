"""The word on top, and the sentence that says why.

"Worth it" needs all of: a smallest gain that the tester stated; the gain's interval above it; no
stated bound on the cost passed, or possibly passed; no trip or warning in the variant that the
baseline does not have; and an order of runs that separates a drift from the setup. Otherwise the
word says what is missing. Differences in the conditions need no rule of their own: they are in
the interval. Without a smallest gain the words only say which is faster.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.analysis.answers import Bound, Change, Condition, EfficiencyChange, Interval, Verdict
from rig.analysis.order import ONE_AFTER_THE_OTHER, THERE_AND_BACK, UNKNOWN, Order
from rig.rounding import fixed, with_interval
from rig.stand.quantities import label_of

WORTH, NOT_WORTH, CANNOT_TELL = "worth it", "not worth it", "cannot tell"
FASTER, SLOWER, NO_DIFFERENCE = "faster", "slower", "no difference shown"

_COSTS = {"current_a": "Current", "power_w": "Power", "efficiency": "Loss of efficiency"}

FIXED = "Intervals hold for a number of runs fixed beforehand."


@dataclass(frozen=True, slots=True)
class Stops:
    """What stopped or warned the runs of the two setups."""

    stopped: tuple[tuple[int, int], tuple[int, int]] = ((0, 0), (0, 0))
    """Runs stopped by a limit, and all runs, of the baseline and of the variant."""
    only_variant: tuple[str, ...] = ()
    """Alarms that the variant has and the baseline has not, in words."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a verdict needs to know about one variant."""

    baseline: str
    variant: str
    speed: Change | None
    costs: Sequence[tuple[Bound, Change | None]]
    """Each stated bound, and the change that it bounds (a loss is a rise of the cost)."""
    current: Change | None
    efficiency: EfficiencyChange
    order: Order
    conditions: Sequence[Condition]
    stops: Stops


def verdict(evidence: Evidence, worth_pct: float | None) -> Verdict:
    """The word and the sentence for one variant."""
    word, against, reasons = _judged(evidence, worth_pct)
    parts = [*_stopped(evidence), _changes(evidence, against), *reasons]
    if word in (CANNOT_TELL, NO_DIFFERENCE):
        parts += _could_have_shown(evidence.speed)
    return Verdict(word, " ".join([*filter(None, parts), FIXED]))


def _judged(evidence: Evidence, worth_pct: float | None) -> tuple[str, str, list[str]]:
    """The word, how the gain compares with the smallest one, and further reasons."""
    speed = evidence.speed
    if speed is None or speed.change is None:
        return CANNOT_TELL, "", ["Speed was not measured in runs of both setups."]
    if speed.ci95 is None:
        return (
            CANNOT_TELL,
            "",
            [
                "One run of a setup does not show how far runs scatter: run each at least three "
                "times, in turn."
            ],
        )
    if not evidence.order.separates:
        return CANNOT_TELL, "", [_order_reason(evidence)]
    low, high = speed.ci95
    costs = [_cost(bound, change) for bound, change in evidence.costs]
    passed = [text for certain, text in costs if certain]
    doubts = [text for certain, text in costs if text and not certain]
    if evidence.stops.only_variant:
        alarms = ", ".join(evidence.stops.only_variant)
        doubts.append(
            f"{evidence.variant} had alarms that {evidence.baseline} did not have ({alarms}): "
            "find out what it needs to run without them."
        )
    if worth_pct is None:
        word = FASTER if low > 0.0 else SLOWER if high < 0.0 else NO_DIFFERENCE
        return word, "", passed + doubts
    wanted = f"the {worth_pct:g} % that is worth having"
    if high < worth_pct:
        return NOT_WORTH, f"less than {wanted}", passed + doubts
    if low > worth_pct:
        word = NOT_WORTH if passed else CANNOT_TELL if doubts else WORTH
        return word, f"more than {wanted}", passed + doubts
    word = NOT_WORTH if passed else CANNOT_TELL
    return word, f"perhaps more than {wanted}", [*passed, *_largest(evidence), *doubts]


def _cost(bound: Bound, change: Change | None) -> tuple[bool, str]:
    """Whether a bound is passed for certain, and what is to be said; empty where it is kept."""
    name = _COSTS.get(bound.quantity) or label_of(bound.quantity.removesuffix("_rise")) + " rise"
    limit = f"the {bound.at_most:g} {bound.unit} allowed"
    if change is None or change.change is None or change.ci95 is None:
        return False, f"{name}: not known whether it stays within {limit}."
    low, high = change.ci95
    if low > bound.at_most:
        return True, f"{name}: more than {limit} ({_text(change)})."
    if high > bound.at_most:
        return False, f"{name}: perhaps more than {limit} ({_text(change)})."
    return False, ""


def _order_reason(evidence: Evidence) -> str:
    if evidence.order.kind == UNKNOWN:
        return (
            "It is not known when the runs were made, so a drift of the stand cannot be separated "
            "from the change."
        )
    assert evidence.order.kind == ONE_AFTER_THE_OTHER
    likely = [c for c in evidence.conditions if c.speed_pct is not None and c.speed_pct]
    also = ""
    if likely:
        largest = max(likely, key=lambda c: abs(c.speed_pct or 0.0))
        also = f"; {largest.text} alone would give about {largest.speed_pct:+.2g} % speed"
    return (
        "The setups were run one after the other, so a drift of the stand cannot be separated "
        f"from the change{also}. Run them in turn (A B A B ...), or, where changing is expensive, "
        f"run {evidence.baseline} again afterwards."
    )


def _largest(evidence: Evidence) -> list[str]:
    """The one condition that makes the interval wide, if it is larger than the scatter."""
    speed = evidence.speed
    effects = {c.text: abs(c.effects.get("speed_rpm", 0.0)) for c in evidence.conditions}
    text = max(effects, key=lambda text: effects[text], default="")
    if not text or speed is None or 100.0 * effects[text] <= (speed.scatter or 0.0):
        return []
    return [f"The interval is wide because of a difference in the conditions: {text}."]


def _stopped(evidence: Evidence) -> list[str]:
    setups = (evidence.baseline, evidence.variant)
    return [
        f"{stopped} of {total} runs of {setup} were stopped by a limit."
        for setup, (stopped, total) in zip(setups, evidence.stops.stopped, strict=True)
        if stopped
    ]


def _changes(evidence: Evidence, against: str) -> str:
    """What changed, and at what cost; `against` follows the change of speed."""
    speed, current, efficiency = evidence.speed, evidence.current, evidence.efficiency
    if speed is None or speed.change is None:
        return ""
    sentence = f"Speed changed by {_text(speed, 'at 95 % confidence')}"
    if evidence.order.kind == THERE_AND_BACK:
        sentence += ", whatever drift in one direction there was"
    sentence += f": {against}." if against else "."
    if current is not None and current.change is not None:
        sentence += f" Current changed by {_text(current)}."
    if efficiency.value is None or efficiency.ci95 is None:
        return sentence
    low, high = efficiency.ci95
    amount = _amount(efficiency.value, efficiency.ci95, "%")
    shown = f"changed by {amount}" if low > 0.0 or high < 0.0 else f"shows no change: {amount}"
    return (
        f"{sentence} Efficiency {shown}, assuming that the rotor's power goes with about the "
        "cube of speed."
    )


def _could_have_shown(speed: Change | None) -> list[str]:
    if speed is None or speed.detectable is None or not math.isfinite(speed.detectable):
        return []
    few = min(speed.runs) == 2
    caution = " With two runs of a setup an interval relies on normal scatter." if few else ""
    return [
        f"A change of {speed.detectable:.2g} % would have been seen with 80 % probability.{caution}"
    ]


def _text(change: Change, level: str = "") -> str:
    assert change.change is not None
    return _amount(change.change, change.ci95, change.unit, level)


def _amount(value: float, interval: Interval | None, unit: str, level: str = "") -> str:
    if interval is None:
        return f"{fixed(value, 2, sign=True)} {unit}"
    middle, low, high = with_interval(value, *interval, sign=True)
    return f"{middle} {unit} ({low} to {high}{' ' + level if level else ''})"
