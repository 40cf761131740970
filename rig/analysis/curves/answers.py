"""What a comparison at equal speed asks and what it answers."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from rig.analysis.contrasts import CONFIDENCE, Floats, percent
from rig.analysis.effects import Estimate, Interval
from rig.analysis.order import UNKNOWN, Order


class Reason(StrEnum):
    """Why there is no curve, no interval, or not of all that was recorded."""

    NOT_MEASURED = "not measured"
    FEW_STEPS = "few steps"
    NARROW = "narrow"
    DIFFERENT_STEPS = "different steps"
    UNSETTLED = "unsettled"
    NO_SHARED_RANGE = "no shared range"
    DOUBLES_BACK = "doubles back"
    ONE_RUN = "one run"


class Caution(StrEnum):
    """What may make a curve wrong that its interval does not contain, or contains only in part."""

    OWN_WARMTH = "own warmth"
    START_TEMPERATURE = "start temperature"
    SMALL_CURRENT = "small current"


@dataclass(frozen=True, slots=True)
class Remark:
    """One reason or caution, and the sentence that says it."""

    kind: Reason | Caution
    text: str


@dataclass(frozen=True, slots=True)
class CurveQuestion:
    """What the tester asks of two curves.

    `density_kg_m3` is the air's by setup, `other_rotor` says that the rotor was changed too.
    `use` is the share of time at each step or speed: a key up to 100 is a throttle step of the
    baseline in percent, a larger one a speed in rpm. Shares need not add up to 1.
    `confidence` is that of intervals and bands; with k variants, 1 - 0.05 / k holds for
    all of them at once (Bonferroni).
    """

    density_kg_m3: Mapping[str, float] = field(default_factory=dict)
    other_rotor: bool = False
    use: Mapping[float, float] = field(default_factory=dict)
    confidence: float = CONFIDENCE


@dataclass(frozen=True, eq=False)
class Band:
    """One quantity over the speeds of a grid, all of shape (speeds,).

    `point_low` and `point_high` hold at any one speed chosen beforehand, `band_low` and `band_high`
    at all speeds at once. All four are nan where a setup has one run.
    """

    estimate: Floats
    point_low: Floats
    point_high: Floats
    band_low: Floats
    band_high: Floats

    def through(self, function: Callable[[Floats], Floats]) -> Band:
        """The band of a monotone function of the quantity, rising or falling."""
        middle, *ends = (
            function(v)
            for v in (self.estimate, self.point_low, self.point_high, self.band_low, self.band_high)
        )
        point, band = ends[:2], ends[2:]
        return Band(
            middle,
            *(np.minimum(*point), np.maximum(*point)),
            *(np.minimum(*band), np.maximum(*band)),
        )


@dataclass(frozen=True, slots=True)
class Overall:
    """One number for a range of speeds or for a use: the change of power, as a logarithm."""

    power: Estimate

    @property
    def power_pct(self) -> float:
        """In percent; of energy where it is for a use."""
        return percent(self.power.value)

    @property
    def power_ci95(self) -> Interval | None:
        """Its interval in percent; None where a setup has one run."""
        ends = self.power.interval
        return ends and (percent(ends[0]), percent(ends[1]))

    @property
    def efficiency_pct(self) -> float:
        """The change of efficiency in percent of the baseline's; for the same rotor only."""
        return percent(-self.power.value)

    @property
    def efficiency_ci95(self) -> Interval | None:
        """Its interval in percent; None where a setup has one run."""
        ends = self.power.interval
        return ends and (percent(-ends[1]), percent(-ends[0]))

    @property
    def detectable_pct(self) -> float | None:
        """The change of power that these runs would have shown with 80 % probability."""
        seen = self.power.detectable
        return None if seen is None or not math.isfinite(seen) else percent(seen)


@dataclass(frozen=True, eq=False)
class Curves:
    """Two setups at equal speed: `variant` compared with `baseline`.

    Everything over speed has shape (speeds,) and belongs to `speed_rpm`, an even grid over the
    range that all runs share. Changes are of the variant, at the baseline's speed and in the
    baseline's air.
    """

    speed_rpm: Floats
    baseline_w: Floats
    variant_w: Floats
    baseline_a: Floats
    variant_a: Floats
    """The curves as measured, for drawing: geometric means of the runs' own curves."""
    power_pct: Band
    """The change of electric power at equal speed."""
    current_pct: Band
    """The change of current at equal speed."""
    less_current_a: Band
    """How much less current at equal speed; negative where it is more."""
    faster_pct: Band
    """How much faster at equal power: at the power that the baseline takes at each speed."""
    efficiency_pct: Band | None
    """The change of efficiency, in percent of the baseline's; None where it is `withheld`."""
    less_heat_w: Band | None
    """How many watts less heat at equal speed: with the same shaft power the difference of power is
    the difference of losses, exactly. None where the efficiency is."""
    withheld: str
    """Why nothing is said of the efficiency and of heat; empty where it is."""
    same_rpm: tuple[Interval, ...]
    """The speeds at which no change of power is shown: their pointwise interval holds zero."""
    crosses_rpm: tuple[float, ...]
    """Where the estimated change of power changes its sign."""
    over_range: Overall
    """The mean over the range, each speed of the grid counting the same."""
    over_use: Overall | None
    """The change of energy over the tester's own use, if one was given."""

    @property
    def range_rpm(self) -> Interval:
        """The range of speeds that all runs share."""
        return float(self.speed_rpm[0]), float(self.speed_rpm[-1])


@dataclass(frozen=True, slots=True)
class CurveComparison:
    """What can be said of two setups at equal speed; `curves` is None where nothing can.

    `reasons` say why, or what was left out; `used` are the names of the runs behind the curves.
    `offered_throttle_pct` are steps with which the variant would reach the baseline's speeds, where
    that would help; else empty.
    """

    baseline: str
    variant: str
    curves: Curves | None
    reasons: tuple[Remark, ...] = ()
    cautions: tuple[Remark, ...] = ()
    used: tuple[str, ...] = ()
    offered_throttle_pct: tuple[float, ...] = ()
    order: Order = field(default_factory=lambda: Order(UNKNOWN))
    """How the runs behind the curves follow each other: whether a drift may be behind a change."""
