"""What differs between two setups in addition to the change under test.

Each difference that has a likely effect becomes a part of the intervals, as large as that
effect: no threshold decides whether it counts. What the runs scatter by anyway is in the
scatter already, so only the difference beyond it is added.

The effects are those of a first-order motor that drops WINDING_SHARE of its voltage in the
winding, on a load whose torque goes with the square of its speed and with the density of the
air (affinity laws). They are rough, and stated as such: a difference is to be avoided, not
corrected.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.answers import Condition
from rig.analysis.effects import RunTable
from rig.analysis.order import IN_TURN
from rig.analysis.runs import Run
from rig.analysis.steps import level_pct, plan_words
from rig.stand.reference import MOVED_PCT

WINDING_SHARE = 0.1
"""The part of the supply's voltage that a winding drops in a usual run: common practice, no
source. With copper's 0.393 %/K (IEC 60028) 1 K costs this share of 0.393 % of speed."""

COPPER_PER_K = 0.00393

OTHER_PACK = 0.01
"""Another pack may hold its voltage under load better or worse by this fraction: common
practice, no source."""

AIR_PER_K = 1.0 / 293.0
"""What 1 K does to the density of air at 20 degC (ideal gas)."""

AIR_PER_HOUR = 0.001
"""Standard uncertainty of the ratio of two densities for an hour between setups that were not
run in turn: weather of 1 hPa, common practice, no source."""

LOST_PCT = 1.0
"""Lost lines are mentioned from this share on."""

ROTOR_PAIRS = ("propeller", "rotor", "fan", "prop")
"""Pairs that name the rotor: if they differ, power at a speed is another rotor's."""

Effect = Mapping[str, float]

SUPPLY: Effect = {
    "voltage_v": 1.0, "speed_rpm": 1.0, "current_a": 2.0, "power_w": 3.0, "torque_nm": 2.0,
    "thrust_n": 2.0, "shaft_w": 3.0, "charge_ah": 2.0, "energy_wh": 3.0,
    "efficiency": WINDING_SHARE,
}  # fmt: skip
"""Percent for a percent of voltage: the load's torque goes with the square of speed, and the drop
in the winding with it, so that efficiency loses a little."""

_HOT = WINDING_SHARE * COPPER_PER_K
WARMTH: Effect = {
    name: -_HOT * (exponent if name != "power_w" else 2.0)
    for name, exponent in SUPPLY.items()
    if name not in ("voltage_v", "energy_wh", "efficiency")
} | {"energy_wh": -2.0 * _HOT, "efficiency": -_HOT}
"""Fraction for a motor that is 1 K warmer: a longer drop in the winding."""

AIR: Effect = {
    "speed_rpm": -0.1, "current_a": 0.7, "power_w": 0.7, "torque_nm": 0.8, "thrust_n": 0.8,
    "shaft_w": 0.7, "charge_ah": 0.7, "energy_wh": 0.7,
}  # fmt: skip
"""Percent for a percent of density, from the same motor."""

REFERENCE: Effect = {
    "current_a": 1.0, "voltage_v": 1.0, "voltage_rest_v": 1.0, "power_w": 2.0, "charge_ah": 1.0,
    "energy_wh": 2.0, "rpm_per_v": -1.0, "efficiency": -2.0,
}  # fmt: skip
"""Percent that readings are wrong by for a percent by which the count of the converter's own
reference channel rises: the reference has fallen by as much."""

RISE_PER_LOSS = 4.0
"""Percent of a temperature rise for a percent of voltage: losses go with current squared."""

RISE_PER_START = -0.5
"""K of rise for a start that is 1 K warmer: between 0 for a short run and -1 for a settled one."""


def conditions(
    runs: Sequence[Run],
    baseline: str,
    variant: str,
    density_kg_m3: Mapping[str, float],
) -> tuple[Condition, ...]:
    """The differences between the runs of two setups, among all `runs` in their order."""
    pair = [run for run in runs if run.setup in (baseline, variant)]
    found = [
        _supply(runs, baseline, variant),
        _start(runs, baseline, variant),
        _air(runs, baseline, variant, density_kg_m3),
        *_throttle(pair, baseline, variant),
        *_pairs(runs, pair, baseline, variant),
        *_stand(pair),
        _reference(runs, pair, baseline, variant),
        _lost(pair, baseline, variant),
    ]
    return tuple(condition for condition in found if condition is not None)


@dataclass(frozen=True, slots=True)
class Difference:
    """Of one number between two setups; `excess` is what the scatter does not explain."""

    before: float
    after: float
    change: float
    excess: float


def difference(
    runs: Sequence[Run], baseline: str, variant: str, number: Callable[[Run], float]
) -> Difference | None:
    """Compared as a quantity is, drift and all; None where a setup has no such number."""
    known = tuple(run for run in runs if math.isfinite(number(run)))
    if not {baseline, variant} <= {run.setup for run in known}:
        return None
    values = np.array([[number(run)] for run in known])
    sides = RunTable(known, ("number",), values).contrasts(baseline, variant)
    change = float(np.mean([side.estimates[0] for side in sides]))
    variance = float(np.nanmax([0.0, *(side.covariance[0, 0] for side in sides)]))
    before, after = (
        float(np.mean([number(run) for run in known if run.setup == setup]))
        for setup in (baseline, variant)
    )
    excess = math.copysign(math.sqrt(max(change**2 - variance, 0.0)), change)
    return Difference(before, after, change, excess)


def _scaled(effect: Effect, size: float) -> dict[str, float]:
    return {name: slope * size for name, slope in effect.items()}


def _supply(runs: Sequence[Run], baseline: str, variant: str) -> Condition | None:
    # At rest: under load a supply sags by what the change itself draws.
    def volts(run: Run) -> float:
        value = run.figures.get("voltage_rest_v", math.nan)
        return math.log(value) if value > 0.0 else math.nan

    found = difference(runs, baseline, variant, volts)
    if found is None:
        return None
    effects = _scaled(SUPPLY, found.excess) | _rises(runs, RISE_PER_LOSS * found.excess)
    text = (
        f"supply at rest {math.exp(found.before):.2f} V and {math.exp(found.after):.2f} V "
        f"({100.0 * found.change:+.2f} %)"
    )
    return Condition("supply voltage", text, 100.0 * found.change, effects)


def _rises(runs: Sequence[Run], share: float) -> dict[str, float]:
    """`share` of each temperature rise, in K."""
    rises: dict[str, list[float]] = {}
    for run in runs:
        for name, value in run.figures.items():
            if name.endswith("_rise") and math.isfinite(value):
                rises.setdefault(name, []).append(value)
    return {name: share * float(np.mean(values)) for name, values in rises.items()}


def _start(runs: Sequence[Run], baseline: str, variant: str) -> Condition | None:
    found = difference(
        runs, baseline, variant, lambda run: run.figures.get("motor_degc_start", math.nan)
    )
    if found is None:
        return None
    effects = _scaled(WARMTH, found.excess)
    effects["motor_degc_rise"] = RISE_PER_START * found.excess
    text = (
        f"motor started at {found.before:.1f} °C and {found.after:.1f} °C ({found.change:+.1f} K)"
    )
    likely_pct = 100.0 * WARMTH["speed_rpm"] * found.change
    return Condition("start temperature", text, likely_pct, effects)


def _air(
    runs: Sequence[Run], baseline: str, variant: str, density_kg_m3: Mapping[str, float]
) -> Condition | None:
    if not {baseline, variant} <= density_kg_m3.keys():
        u = density_u(runs, baseline, variant)
        text = f"air not given: its density may differ by {200.0 * u:.2f} % (95 %)"
        return Condition("air", text, None, _scaled(AIR, u)) if u else None
    change = math.log(density_kg_m3[variant] / density_kg_m3[baseline])
    text = (
        f"air of {density_kg_m3[baseline]:.3f} kg/m3 and {density_kg_m3[variant]:.3f} kg/m3 "
        f"({100.0 * change:+.2f} %)"
    )
    return Condition("air", text, 100.0 * AIR["speed_rpm"] * change, _scaled(AIR, change))


def density_u(runs: Sequence[Run], baseline: str, variant: str) -> float:
    """Relative standard uncertainty of the ratio of two densities that were not given.

    From the coldest sensors at the start, the nearest to the air's temperature, and from the
    time between setups that were not run in turn.
    """
    found = difference(runs, baseline, variant, lambda run: run.coldest_start_degc)
    warmer = AIR_PER_K * found.excess if found is not None else 0.0
    later = 0.0
    table = RunTable(tuple(runs), (), np.empty((len(runs), 0)))
    if table.order(baseline, variant).kind != IN_TURN:
        hours = [
            np.mean([run.began_s for run in runs if run.setup == setup]) / 3600.0
            for setup in (baseline, variant)
        ]
        later = AIR_PER_HOUR * float(np.nan_to_num(hours[1] - hours[0]))
    return math.hypot(warmer, later)


def _throttle(pair: Sequence[Run], baseline: str, variant: str) -> list[Condition]:
    sides = [
        sorted({run.throttle for run in pair if run.setup == setup})
        for setup in (baseline, variant)
    ]
    if sides[0] == sides[1] and len(sides[0]) == 1:
        return []
    levels = [
        [level for run in pair if run.setup == setup and (level := level_pct(run)) is not None]
        for setup in (baseline, variant)
    ]
    text = " and ".join(" or ".join(map(plan_words, side)) for side in sides)
    change = 0.0
    if all(levels) and min(map(min, levels)) > 0.0:
        change = math.log(float(np.mean(levels[1])) / float(np.mean(levels[0])))
    # To what the throttle does to a motor, that of the supply comes nearest.
    return [
        Condition(
            "throttle",
            f"throttle {text}",
            100.0 * change if change else None,
            _scaled({k: v for k, v in SUPPLY.items() if k != "voltage_v"}, change),
        )
    ]


def _pairs(
    runs: Sequence[Run], pair: Sequence[Run], baseline: str, variant: str
) -> list[Condition]:
    """The pairs (`--with KEY=VALUE`) that are not the same in all runs of two setups."""
    found = []
    for key in dict.fromkeys(key for run in pair for key in run.pairs):
        sides = [
            sorted({run.pairs.get(key, "not noted") for run in pair if run.setup == setup})
            for setup in (baseline, variant)
        ]
        if len({*sides[0], *sides[1]}) == 1:
            continue
        before, after = map(" or ".join, sides)
        text = f"{key}: {before} in {baseline}, {after} in {variant}"
        share = _unshared(runs, baseline, variant, key) if key == "pack" else 0.0
        size = OTHER_PACK * share
        effects = _scaled(SUPPLY, size) | _rises(runs, RISE_PER_LOSS * size) if size else {}
        found.append(Condition(f"with {key}", text, None, effects))
    return found


def _unshared(runs: Sequence[Run], baseline: str, variant: str, key: str) -> float:
    """How much of a change comes from runs with another value of a pair: 0 none, 1 all of it."""
    table = RunTable(tuple(runs), (), np.empty((len(runs), 0)))
    weights = np.mean([side.weights for side in table.contrasts(baseline, variant)], axis=0)
    sums: dict[str, float] = {}
    for run, weight in zip(runs, weights.tolist(), strict=True):
        value = run.pairs.get(key, "")
        sums[value] = sums.get(value, 0.0) + weight
    return sum(map(abs, sums.values())) / 2.0


def rotors_differ(pair: Sequence[Run]) -> bool:
    """Whether the tester named different rotors for these runs."""
    return any(len({run.pairs.get(key, "") for run in pair}) > 1 for key in ROTOR_PAIRS)


def _stand(pair: Sequence[Run]) -> list[Condition]:
    found = []
    if len({id(run.stand) for run in pair}) > 1:
        text = "not all runs have the same calibration: errors of what changed do not cancel"
        found.append(Condition("calibration", text))
    if not all(run.measured for run in pair):
        text = "runs without a calibration: errors of the stand are not in the intervals"
        found.append(Condition("no calibration", text))
    return found


def _reference(
    runs: Sequence[Run], pair: Sequence[Run], baseline: str, variant: str
) -> Condition | None:
    """The converter's reference, where the board measures it: a false gain unless corrected."""

    def count(run: Run) -> float:
        value = run.figures.get("reference_count", math.nan)
        return math.log(value) if value > 0.0 else math.nan

    found = difference(runs, baseline, variant, count)
    if found is None:
        return None
    logs = [value for run in pair if math.isfinite(value := count(run))]
    moved_pct = 100.0 * (max(logs) - min(logs))
    text = (
        f"the board's supply, its converter's reference, moved by {-100.0 * found.change:+.2f} % "
        f"between the setups, and by {moved_pct:.2f} % between single runs"
    )
    if all(run.follows_reference for run in pair):
        words = f"{text}: current and voltage are corrected for it"
        return Condition("reference", words) if moved_pct > MOVED_PCT else None
    effects = _scaled(REFERENCE, found.excess)
    if moved_pct <= MOVED_PCT:
        return Condition("reference", text, 0.0, effects)  # speed does not feel it
    text += (
        f" (its channel counts {math.exp(found.before):.2f} and {math.exp(found.after):.2f}): "
        f"without [reference] in stand.toml {variant} reads {100.0 * found.change:+.2f} % current "
        f"and voltage and {200.0 * found.change:+.2f} % power for this alone"
    )
    return Condition("reference", text, None, effects)


def _lost(pair: Sequence[Run], baseline: str, variant: str) -> Condition | None:
    lost = [
        max(_lost_pct(run) for run in pair if run.setup == setup) for setup in (baseline, variant)
    ]
    if max(lost) < LOST_PCT:
        return None
    text = f"lines lost or invalid: up to {lost[0]:.1f} % and {lost[1]:.1f} % of a run"
    return Condition("lost lines", text)


def _lost_pct(run: Run) -> float:
    lines = run.counts.get("lines", 0)
    bad = run.counts.get("lost", 0) + run.counts.get("invalid", 0)
    return 100.0 * bad / lines if lines else 0.0
