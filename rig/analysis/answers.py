"""What a comparison asks and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.analysis.conditions import Condition
from rig.analysis.powertrain import Alternative, Gear
from rig.analysis.runs import Run
from rig.analysis.trend import Trend

Interval = tuple[float, float]

FAN_EXPONENT = 3.0
"""Percent of power, and at equal voltage of current, per percent of speed that a fan or a
propeller takes at unchanged efficiency (affinity laws)."""

ASSUMPTIONS = (
    "the same fan or propeller in both setups, with free inflow",
    "its power goes with the cube of speed and with the density of the air (affinity laws)",
    "a small change of speed",
)


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one quantity.

    Spreads are standard deviations between runs, None where there is one run. `change_pct`
    is the change of the geometric mean; None, like the interval, with the reason in `why`.
    `scatter_pct` and `stand_pct` are the standard uncertainties that the interval is made of:
    between runs, and from the stand's components, which `sources` names one by one.
    """

    quantity: str
    baseline: float
    variant: float
    baseline_spread: float | None
    variant_spread: float | None
    runs: tuple[int, int]
    change_pct: float | None = None
    ci95_pct: Interval | None = None
    scatter_pct: float | None = None
    stand_pct: float = 0.0
    sources: Mapping[str, float] = field(default_factory=dict)
    why: str = ""
    change_k: float | None = None
    """Of a temperature rise, in K; with its interval."""
    ci95_k: Interval | None = None
    note: str = ""
    """What stands beside the quantity's name, such as `still rising`."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """Percent of something per percent of speed; None, with the reason, where not determined."""

    value: float | None
    ci95: Interval | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class EfficiencyChange:
    """In percent of the baseline's efficiency, by the affinity laws; or `withheld`, the reason.

    `measured_pct` is the same from a torque sensor, where there is one.
    """

    value: float | None = None
    ci95: Interval | None = None
    withheld: str = ""
    assumptions: tuple[str, ...] = ASSUMPTIONS
    measured_pct: float | None = None
    measured_ci95: Interval | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """`word` is one of the three of `rig.analysis.verdict`.

    `runs_needed` are per setup; None where no number can be given.
    """

    word: str
    sentence: str
    runs_needed: int | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """One variant against the baseline."""

    baseline: str
    variant: str
    changes: tuple[Change, ...]
    current_per_speed: Ratio
    power_per_speed: Ratio
    efficiency: EfficiencyChange
    verdict: Verdict
    conditions: tuple[Condition, ...]
    alternatives: tuple[Alternative, ...] = ()
    """Other changes, on paper, from the baseline; each continuous one buys the same speed."""
    vehicle_speed: float | None = None
    """Where the motor drives through a gear: what a vehicle does that did 100."""

    def change(self, quantity: str) -> Change | None:
        """The change of `quantity`, if it was measured in all runs."""
        return next((change for change in self.changes if change.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class Comparisons:
    """Every variant against the baseline, and what was left out and why.

    `drift_pct` maps quantities to the drift from the first run to the last, and its
    interval, that was taken out; it is empty where `drift` says why none was.
    """

    baseline: str
    variants: tuple[Comparison, ...]
    warnings: tuple[str, ...]
    drift: str = ""
    drift_pct: Mapping[str, tuple[float, Interval]] = field(default_factory=dict)
    trends: tuple[Trend, ...] = ()
    """Where the setups are levels of one number: the change per unit of it."""
    used: tuple[Run, ...] = ()
    """The runs behind it all, in order."""
    runs: tuple[Run, ...] = ()
    """All runs, also those left out."""


@dataclass(frozen=True, slots=True)
class Question:
    """What the tester asks besides: the smallest gain of speed worth having, in percent, the
    density of the air in kg/m3 by setup, whether the rotor was changed too, and the motor's
    rpm per volt and the gear, for changes on paper."""

    worth_pct: float = 0.0
    density_kg_m3: Mapping[str, float] = field(default_factory=dict)
    other_rotor: bool = False
    kv_rpm_per_v: float | None = None
    gear: Gear | None = None
