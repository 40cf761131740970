"""The steps of a run, and which runs and steps make curves that can be compared.

What cannot be used is left out and named; what remains is still compared. A curve needs three
throttle steps over 1.5 times in speed, the same steps in every run of a setup, and as many steps in
the same order in both setups. The throttle of the two setups may differ.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.analysis.contrasts import Floats
from rig.analysis.curves.answers import Reason, Remark
from rig.analysis.steps import OverSteps

FEWEST_STEPS = 3
SPEED_RATIO = 1.5
"""From the slowest to the fastest step of a setup, at least. By simulation."""

SHARED_RATIO = 1.1
"""A shared range below this is one point and no curve. Ours, no source."""


Setups = Sequence[str]
Sides = Sequence[Sequence[OverSteps]]
"""The runs of each setup."""


def comparable(
    stepped: Sequence[OverSteps], setups: Setups
) -> tuple[list[OverSteps], list[Remark]]:
    """The runs of these setups with the steps that can be compared, in order, and remarks.

    No runs where there can be no curve; the last remark then says why.
    """
    remarks: list[Remark] = []
    kept = [one for one in stepped if one.run.setup in setups]
    for reduced in (_measured, _with_the_same_steps, _settled):
        kept = reduced(kept, setups, remarks)
    sides = [[one for one in kept if one.run.setup == setup] for setup in setups]
    for obstacle in (_missing, _few_steps, _different, _doubling_back, _narrow, _not_shared):
        if remark := obstacle(sides, setups):
            return [], [*remarks, remark]
    for setup, side in zip(setups, sides, strict=True):
        if len(side) == 1:
            text = f"{setup} has one run with steps: its scatter is not known, so no interval is"
            remarks.append(Remark(Reason.ONE_RUN, text))
    return sorted(kept, key=lambda one: (math.isnan(one.run.began_s), one.run.began_s)), remarks


def shared_range_rpm(stepped: Sequence[OverSteps]) -> tuple[float, float]:
    """The range of speeds that lies within the steps of all runs."""
    low = max(float(one.speed_rpm.min()) for one in stepped)
    return low, min(float(one.speed_rpm.max()) for one in stepped)


def _good(one: OverSteps) -> NDArray[np.bool_]:
    """Whether speed, power, current and voltage are known and positive, by step."""
    columns = np.array([one.speed_rpm, one.power_w, one.current_a, one.voltage_v])
    good: NDArray[np.bool_] = np.all(np.isfinite(columns) & (columns > 0.0), axis=0)
    return good


def _only(one: OverSteps, at: NDArray[np.bool_]) -> OverSteps:
    """The same with fewer steps."""
    return OverSteps(
        one.run, one.throttle_pct[at], one.speed_rpm[at], one.power_w[at], one.current_a[at],
        one.voltage_v[at],
    )  # fmt: skip


def _measured(stepped: Sequence[OverSteps], _: Setups, remarks: list[Remark]) -> list[OverSteps]:
    """Without runs in which too few steps settled, or that have too few."""
    kept = [one for one in stepped if _good(one).sum() >= FEWEST_STEPS]
    out = [one.run.name for one in stepped if _good(one).sum() < FEWEST_STEPS]
    if out:
        text = (
            f"{', '.join(out)}: fewer than {FEWEST_STEPS} steps with a steady speed, power, "
            "current and voltage; not in the curves"
        )
        remarks.append(Remark(Reason.FEW_STEPS, text))
    return kept


def _with_the_same_steps(
    stepped: Sequence[OverSteps], setups: Setups, remarks: list[Remark]
) -> list[OverSteps]:
    """Of each setup the runs with its usual steps."""
    kept = []
    for setup in setups:
        mine = [one for one in stepped if one.run.setup == setup]
        if not mine:
            continue
        usual = Counter(_throttle(one) for one in mine).most_common(1)[0][0]
        kept += [one for one in mine if _throttle(one) == usual]
        if out := [one.run.name for one in mine if _throttle(one) != usual]:
            text = (
                f"{', '.join(out)}: not the steps of the other runs of {setup} ({_words(usual)}); "
                "not in the curves"
            )
            remarks.append(Remark(Reason.DIFFERENT_STEPS, text))
    return kept


def _settled(stepped: Sequence[OverSteps], _: Setups, remarks: list[Remark]) -> list[OverSteps]:
    """Without the steps that did not settle in every run."""
    counts = {len(one.throttle_pct) for one in stepped}
    if len(counts) != 1:
        return list(stepped)  # `_different` says so
    good = np.all([_good(one) for one in stepped], axis=0)
    if good.sum() < FEWEST_STEPS:
        return _with_all_steps(stepped, remarks)
    if not good.all():
        where = [
            f"{one.run.name} ({_words(tuple(one.throttle_pct[~_good(one)]))})"
            for one in stepped
            if not _good(one).all()
        ]
        text = f"these steps did not settle and are left out of all runs: {', '.join(where)}"
        remarks.append(Remark(Reason.UNSETTLED, text))
    return [_only(one, good) for one in stepped]


def _with_all_steps(stepped: Sequence[OverSteps], remarks: list[Remark]) -> list[OverSteps]:
    """Without the runs of which a step did not settle: without the steps too few would be left."""
    out = [one.run.name for one in stepped if not _good(one).all()]
    text = f"{', '.join(out)}: not all steps settled; not in the curves"
    remarks.append(Remark(Reason.UNSETTLED, text))
    return [one for one in stepped if _good(one).all()]


def _missing(sides: Sides, setups: Setups) -> Remark | None:
    for setup, side in zip(setups, sides, strict=True):
        if not side:
            return Remark(
                Reason.NOT_MEASURED,
                f"{setup} has no run with {FEWEST_STEPS} or more throttle steps: no curve",
            )
    return None


def _few_steps(sides: Sides, setups: Setups) -> Remark | None:
    for setup, side in zip(setups, sides, strict=True):
        distinct = set(_throttle(side[0]))
        if len(distinct) < FEWEST_STEPS:
            return Remark(
                Reason.FEW_STEPS,
                f"{setup} has {len(distinct)} usable throttle steps, and a curve needs "
                f"{FEWEST_STEPS}: such as --throttle 30:4,50:4,70:4,90:4",
            )
    return None


def _different(sides: Sides, setups: Setups) -> Remark | None:
    steps = [_throttle(side[0]) for side in sides]
    ranks = [np.unique(one, return_inverse=True)[1].tolist() for one in steps]
    if all(order == ranks[0] for order in ranks):
        return None
    lists = ", ".join(f"{setup} {_words(one)}" for setup, one in zip(setups, steps, strict=True))
    return Remark(
        Reason.DIFFERENT_STEPS,
        f"the setups have different steps ({lists}): curves need as many steps in the same order, "
        "so that all warm up alike",
    )


def _doubling_back(sides: Sides, setups: Setups) -> Remark | None:
    for setup, side in zip(setups, sides, strict=True):
        speed, power = _mean_steps(side)
        if not (np.all(np.diff(speed) > 0.0) and np.all(np.diff(power) > 0.0)):
            return Remark(
                Reason.DOUBLES_BACK,
                f"{setup}: speed or power does not rise with each higher throttle step, so the "
                "curve doubles back; leave out the steps beyond which it does",
            )
    return None


def _narrow(sides: Sides, setups: Setups) -> Remark | None:
    for setup, side in zip(setups, sides, strict=True):
        speed, _ = _mean_steps(side)
        if (ratio := float(speed[-1] / speed[0])) < SPEED_RATIO:
            return Remark(
                Reason.NARROW,
                f"{setup}: the fastest step has {ratio:.2f} times the speed of the slowest; a "
                f"curve needs {SPEED_RATIO:g}",
            )
    return None


def _not_shared(sides: Sides, setups: Setups) -> Remark | None:
    low, high = shared_range_rpm([one for side in sides for one in side])
    if high >= SHARED_RATIO * low:
        return None
    ranges = [shared_range_rpm(side) for side in sides]
    words = [
        f"{setup} {low:.0f} to {high:.0f} rpm"
        for setup, (low, high) in zip(setups, ranges, strict=True)
    ]
    return Remark(
        Reason.NO_SHARED_RANGE,
        f"the runs share no range of speeds worth a curve: {', '.join(words)}; choose steps that "
        "reach the same speeds",
    )


def _mean_steps(side: Sequence[OverSteps]) -> tuple[Floats, Floats]:
    """Mean speed and power of each throttle, in ascending order of throttle."""
    throttle = np.array(_throttle(side[0]))
    speed = np.mean([one.speed_rpm for one in side], axis=0)
    power = np.mean([one.power_w for one in side], axis=0)
    levels = [throttle == level for level in np.unique(throttle)]
    return tuple(np.array([means[at].mean() for at in levels]) for means in (speed, power))  # type: ignore[return-value]


def _throttle(one: OverSteps) -> tuple[float, ...]:
    """The steps to a tenth of a percent, as they are sent."""
    return tuple(np.round(one.throttle_pct, 1).tolist())


def _words(throttle: Sequence[float]) -> str:
    return " ".join(f"{percent:g} %" for percent in throttle)
