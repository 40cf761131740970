"""What a comparison asks and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rig.analysis.powertrain import Alternative, Gear
from rig.analysis.runs import Run

if TYPE_CHECKING:
    from rig.analysis.curves.answers import CurveComparison

Interval = tuple[float, float]

FAN_EXPONENT = 3.0
"""Percent of power, and at equal voltage of current, per percent of speed that a fan or a
propeller takes at unchanged efficiency (affinity laws)."""

ASSUMPTIONS = (
    "the same fan or propeller in both setups, with free inflow",
    "its power goes with the density of the air and with the cube of speed (affinity laws); "
    "measured propellers deviate from the cube, and the interval allows for that",
    "ducted fans are not in the data behind that allowance",
)


@dataclass(frozen=True, slots=True)
class Bound:
    """The most that a gain may cost: `at_most`, in `unit` ("%" or "K").

    `quantity` is a column of the figures, or `efficiency`, whose cost is a loss.
    """

    quantity: str
    at_most: float
    unit: str


@dataclass(frozen=True, slots=True)
class Question:
    """What the tester asks.

    `worth_pct` is the smallest gain of speed worth having, in percent; without it nothing is
    called worth it. `bounds` say what it may cost. `density_kg_m3` is the air's by setup,
    `other_rotor` says that the rotor was changed too, `exponent_u` is the standard uncertainty of
    this rotor's exponent if it is known better than from the literature. The motor's rpm per
    volt and the gear are for estimated changes.
    """

    worth_pct: float | None = None
    bounds: tuple[Bound, ...] = ()
    density_kg_m3: Mapping[str, float] = field(default_factory=dict)
    other_rotor: bool = False
    exponent_u: float | None = None
    kv_rpm_per_v: float | None = None
    gear: Gear | None = None
    use: Mapping[float, float] = field(default_factory=dict)
    """The share of time at each throttle step of the baseline (up to 100, in percent) or speed in
    rpm, where runs have several steps; empty where it was not given."""


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one quantity.

    Spreads are standard deviations between runs, None where there is one run. The change is in
    `unit`: "%" of the geometric mean, or "K" for temperatures; None, like the interval, with the
    reason in `why`. `scatter` and `known` are the standard uncertainties that the interval is
    made of: between runs, and known beforehand, which `sources` names one by one. `detectable` is
    the change that these runs would have shown with 80 % probability.
    """

    quantity: str
    baseline: float
    variant: float
    baseline_spread: float | None
    variant_spread: float | None
    runs: tuple[int, int]
    unit: str = "%"
    change: float | None = None
    ci95: Interval | None = None
    scatter: float | None = None
    known: float = 0.0
    sources: Mapping[str, float] = field(default_factory=dict)
    detectable: float | None = None
    why: str = ""
    rise_pct: float | None = None
    """Of a temperature rise that is large enough: its change in percent."""
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
    """`word` is one of those in `rig.analysis.verdict`, `sentence` the answer and its reasons."""

    word: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Condition:
    """One difference between two setups, and what it adds to the intervals.

    `speed_pct` is its likely effect on speed, None where that is not known. `effects` are standard
    uncertainties, as logarithms, of temperature rises in K, by quantity.
    """

    name: str
    text: str
    speed_pct: float | None = None
    effects: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Trend:
    """The change of one quantity per unit of the level, in percent.

    `lack_of_fit_p` is the probability of means that lie so far off a straight line by chance;
    nan where no setup has two runs.
    """

    quantity: str
    per_unit_pct: float
    ci95_pct: Interval | None
    lack_of_fit_p: float


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
    """Other changes, estimated from the baseline; each continuous one buys the same speed."""
    order: str = ""
    """What the order of the runs lets them show."""
    vehicle_speed: float | None = None
    """Where the motor drives through a gear: what a vehicle does that did 100."""
    step: str = ""
    """Which step of the runs it is about; empty where no run has several."""
    at_equal_speed: CurveComparison | None = None
    """The same runs over all their steps; None where none has several."""

    def change(self, quantity: str) -> Change | None:
        """The change of `quantity`, if it was measured in all runs."""
        return next((change for change in self.changes if change.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class Comparisons:
    """Every variant compared with the baseline, and what was left out and why.

    `drift_pct` maps quantities to the drift from the first run to the last, and its
    interval, where one was taken out.
    """

    baseline: str
    variants: tuple[Comparison, ...]
    warnings: tuple[str, ...]
    drift_pct: Mapping[str, tuple[float, Interval]] = field(default_factory=dict)
    trends: tuple[Trend, ...] = ()
    """Where the setups are levels of one number: the change per unit of it."""
    used: tuple[Run, ...] = ()
    """The runs behind it all, in order."""
    runs: tuple[Run, ...] = ()
    """All runs, also those left out."""
