"""The runs of two setups, their curves, and the speeds at which these are compared."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from rig.analysis.contrasts import Contrast, Floats
from rig.analysis.curves.answers import CurveQuestion
from rig.analysis.curves.fit import Fit, fit
from rig.analysis.curves.steps import SteppedRun, shared_range_rpm
from rig.analysis.curves.use import use_speeds
from rig.analysis.effects import RunTable
from rig.analysis.runs import Run

GRID = 41
"""Speeds at which two curves are compared."""


@dataclass(frozen=True, eq=False)
class Pair:
    """The runs of two setups, their curves, and the columns that are compared.

    A column is a speed of the grid, the mean over the grid, or the use; each is a linear
    combination of values at `points`, the grid's speeds and those of the use.
    """

    stepped: tuple[SteppedRun, ...]
    baseline: str
    variant: str
    question: CurveQuestion

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        return tuple(one.run for one in self.stepped)

    @cached_property
    def setups(self) -> tuple[str, ...]:
        return tuple(run.setup for run in self.runs)

    @cached_property
    def grid(self) -> Floats:
        return np.linspace(*shared_range_rpm(self.stepped), GRID)

    @property
    def steps(self) -> int:
        return len(self.stepped[0].steps.speed_rpm)

    def mean_speeds(self, setup: str) -> Floats:
        """Of each step of a setup, in rpm, shape (steps,)."""
        mine = [one.steps.speed_rpm for one in self.stepped if one.run.setup == setup]
        means: Floats = np.mean(mine, axis=0)
        return means

    @cached_property
    def use(self) -> tuple[Floats, Floats]:
        """The speeds of the use, and the share of time at each."""
        steps = [one.steps for one in self.stepped if one.run.setup == self.baseline]
        return use_speeds(self.question.use, steps, (self.grid[0], self.grid[-1]))

    @cached_property
    def points(self) -> Floats:
        return np.concatenate([self.grid, self.use[0]])

    @cached_property
    def power(self) -> Fit:
        return self._fit("power_w")

    @cached_property
    def current(self) -> Fit:
        return self._fit("current_a")

    @cached_property
    def readings(self) -> dict[tuple[str, int], list[Mapping[str, Any]]]:
        """What each stand reads at each point of a setup's curve, with its uncertainty.

        By setup and the stand's id; runs without a calibration have none.
        """
        stands = {(run.setup, id(run.stand)): run.stand for run in self.runs}
        found = {}
        for key, stand in stands.items():
            if stand is not None:
                amps, watts = (of.mean(key[0], self.points) for of in (self.current, self.power))
                points = zip(self.points.tolist(), amps.tolist(), watts.tolist(), strict=True)
                found[key] = [
                    stand({"speed_rpm": rpm, "current_a": a, "voltage_v": w / a})
                    for rpm, a, w in points
                ]
        return found

    def _fit(self, column: str) -> Fit:
        speed = np.array([one.steps.speed_rpm for one in self.stepped])
        values = np.array([getattr(one.steps, column) for one in self.stepped])
        return fit(self.setups, speed, values)

    @cached_property
    def air(self) -> float:
        """The logarithm of the variant's density of air over the baseline's; 0 where not known."""
        density = self.question.density_kg_m3
        if not {self.baseline, self.variant} <= density.keys():
            return 0.0
        return math.log(density[self.variant] / density[self.baseline])

    def logs(self, curves: Fit) -> Floats:
        """Of each run at `points`, in the baseline's air."""
        varied = np.array([setup == self.variant for setup in self.setups])
        return curves.logs(self.points) - self.air * varied[:, None]

    def contrasts(self, table: RunTable) -> tuple[Contrast, ...]:
        return table.contrasts(self.baseline, self.variant)
