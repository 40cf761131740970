"""The runs of two setups, their curves, and the speeds at which these are compared."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rig.analysis.contrasts import Contrast, Floats
from rig.analysis.curves.answers import CurveQuestion
from rig.analysis.curves.fit import Fit, fit
from rig.analysis.curves.steps import shared_range_rpm
from rig.analysis.curves.use import use_speeds
from rig.analysis.effects import RunTable
from rig.analysis.runs import Run
from rig.analysis.steps import OverSteps

GRID = 41
"""Speeds at which two curves are compared."""


@dataclass(frozen=True, eq=False)
class Pair:
    """The runs of two setups, their curves, and the columns that are compared.

    A column is a speed of the grid, the mean over the grid, or the use; each is a linear
    combination of values at `points`, the grid's speeds and those of the use.
    """

    stepped: tuple[OverSteps, ...]
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
        return len(self.stepped[0].speed_rpm)

    def mean_speeds(self, setup: str) -> Floats:
        """Of each step of a setup, in rpm, shape (steps,)."""
        mine = [one.speed_rpm for one in self.stepped if one.run.setup == setup]
        means: Floats = np.mean(mine, axis=0)
        return means

    @cached_property
    def use(self) -> tuple[Floats, Floats]:
        """The speeds of the use, and the share of time at each."""
        mine = [one for one in self.stepped if one.run.setup == self.baseline]
        return use_speeds(self.question.use, mine, (self.grid[0], self.grid[-1]))

    @cached_property
    def points(self) -> Floats:
        return np.concatenate([self.grid, self.use[0]])

    @cached_property
    def power(self) -> Fit:
        return self._fit("power_w")

    @cached_property
    def current(self) -> Fit:
        return self._fit("current_a")

    def carried(self, setup: str) -> Floats:
        """What the change at each point moves by for ln y at each step of a setup, (points, steps).

        Positive for both setups: it is its own curve's, less what the common term makes of
        the other's.
        """
        setups = (self.baseline, self.variant)
        speeds = np.array([self.mean_speeds(name) for name in setups])
        own = setups.index(setup)
        columns = []
        for step in range(self.steps):
            moved = np.zeros(speeds.shape)
            moved[own, step] = 1.0
            logs = fit(setups, speeds, np.exp(moved)).logs(self.points)
            columns.append(logs[own] - logs[1 - own])
        return np.array(columns).T

    def _fit(self, column: str) -> Fit:
        speed = np.array([one.speed_rpm for one in self.stepped])
        values = np.array([getattr(one, column) for one in self.stepped])
        return fit(self.setups, speed, values)

    @property
    def has_air(self) -> bool:
        """Whether the air of both setups is given."""
        return {self.baseline, self.variant} <= self.question.density_kg_m3.keys()

    @cached_property
    def air(self) -> float:
        """The logarithm of the variant's density of air over the baseline's; 0 where not known."""
        density = self.question.density_kg_m3
        if not self.has_air:
            return 0.0
        return math.log(density[self.variant] / density[self.baseline])

    def logs(self, curves: Fit) -> Floats:
        """Of each run at `points`, in the baseline's air."""
        varied = np.array([setup == self.variant for setup in self.setups])
        return curves.logs(self.points) - self.air * varied[:, None]

    def contrasts(self, table: RunTable) -> tuple[Contrast, ...]:
        return table.contrasts(self.baseline, self.variant)
