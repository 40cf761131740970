"""The change of each quantity between two setups, with all that its interval contains.

Percent changes are differences of logarithms, temperatures are differences in K. An interval
has two kinds of parts. The scatter between runs is estimated from the runs, so it comes with
degrees of freedom. The other parts are standard uncertainties known beforehand: the stand's
components, differences in the conditions, the exponent of the rotor. Each is one variable that
acts on all quantities at once, so that in a ratio of two changes it counts once. They are
combined as the GUM does (JCGM 100:2008, 5.2 and G.4, Welch-Satterthwaite).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from rig.analysis.contrasts import Contrast, Floats, detectable
from rig.analysis.inference import fieller
from rig.analysis.order import Order, contrasts, order_of
from rig.analysis.runs import Run
from rig.stand.model import REFERENCE_DRIFT

Interval = tuple[float, float]
Critical = Callable[[float], float]
"""Degrees of freedom in, critical value out."""

SEEN_WITH = 0.8
"""How often a change is to be seen that these runs could have shown."""


@dataclass(frozen=True, slots=True)
class Part:
    """One source of uncertainty: what it adds to each quantity, with its sign."""

    name: str
    effects: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Estimate:
    """One change, in logarithms or K. `scatter` is nan and `interval` None where not known.

    `detectable` is the change that would have been seen with SEEN_WITH, in the same unit.
    """

    value: float
    scatter: float
    sources: Mapping[str, float]
    interval: Interval | None
    detectable: float | None

    @property
    def known(self) -> float:
        """The standard uncertainty that does not come from the scatter."""
        return math.hypot(*self.sources.values())


@dataclass(frozen=True, eq=False)
class RunTable:
    """One number for each run and quantity; the runs in the order in which they began.

    `values` has shape (runs, names): logarithms, for temperatures K.
    """

    runs: tuple[Run, ...]
    names: tuple[str, ...]
    values: Floats

    @cached_property
    def setups(self) -> tuple[str, ...]:
        """The setup of each run."""
        return tuple(run.setup for run in self.runs)

    @cached_property
    def time_s(self) -> Floats:
        """When each run began."""
        return np.array([run.began_s for run in self.runs], dtype=float)

    def order(self, baseline: str, variant: str) -> Order:
        """How the runs of two setups follow each other."""
        return order_of(self.setups, tuple(self.time_s.tolist()), baseline, variant)

    def contrasts(self, baseline: str, variant: str) -> tuple[Contrast, ...]:
        """`variant` minus `baseline`, as their order allows."""
        order = self.order(baseline, variant)
        return contrasts(order, self.setups, self.values, self.time_s, baseline, variant)


@dataclass(frozen=True, eq=False)
class Effects:
    """All changes between two setups."""

    table: RunTable
    compare: Callable[[RunTable], Sequence[Contrast]]
    """The changes of a table's columns: two where the truth may be anywhere between them
    (`rig.analysis.order`)."""
    critical: Critical
    parts: Sequence[Part] = field(default_factory=tuple)

    @property
    def names(self) -> Sequence[str]:
        """The quantities."""
        return self.table.names

    @cached_property
    def sides(self) -> Sequence[Contrast]:
        """The changes of all quantities."""
        return self.compare(self.table)

    @property
    def weights(self) -> Floats:
        """What each run contributes to a change."""
        mean: Floats = np.mean([side.weights for side in self.sides], axis=0)
        return mean

    def estimate(self, name: str) -> Estimate:
        """The change of one quantity."""
        index = self.names.index(name)
        sources: dict[str, float] = {}
        for part in self.parts:
            if effect := part.effects.get(name, 0.0):
                sources[part.name] = math.hypot(sources.get(part.name, 0.0), effect)
        known = math.hypot(*sources.values())
        values = [float(side.estimates[index]) for side in self.sides]
        scatters = [_scatter(side, index) for side in self.sides]
        value, scatter = float(np.mean(values)), max(scatters)
        if not all(side.df[index] > 0.0 for side in self.sides):
            return Estimate(value, math.nan, sources, None, None)
        ends, seen = [], 0.0
        for side, middle, spread in zip(self.sides, values, scatters, strict=True):
            combined, df = combined_u(spread, float(side.df[index]), known)
            reach = self.critical(df) * combined
            ends += [middle - reach, middle + reach]
            seen = max(seen, detectable(df, SEEN_WITH) * combined)
        apart = (max(values) - min(values)) / 2.0
        return Estimate(value, scatter, sources, (min(ends), max(ends)), seen + apart)

    def ratio(self, over: str, under: str) -> tuple[float | None, Interval | None]:
        """Percent of `over` per percent of `under`, by Fieller's theorem.

        No interval where the scatter is not known or the lower change may be zero.
        """
        pair = [self.names.index(over), self.names.index(under)]
        added = np.array([[part.effects.get(name, 0.0) for name in (over, under)]
                          for part in self.parts]).reshape(-1, 2)  # fmt: skip
        values: list[float] = []
        ends: list[Interval | None] = []
        for place, side in enumerate(self.sides):
            changes = np.expm1(side.estimates[pair])
            values.append(float(changes[0] / changes[1]) if changes[1] else math.nan)
            if not side.df[pair].min() > 0.0 or not changes[1]:
                ends.append(None)
                continue
            # From logarithms to fractions, by the slope of the exponential.
            slope = np.outer(1.0 + changes, 1.0 + changes)
            scatter = side.covariance[np.ix_(pair, pair)] * slope
            covariance = scatter + (added.T @ added) * slope
            # Fieller's interval asks whether over - ratio * under is zero: its own scatter and
            # degrees of freedom count.
            line = np.array([1.0, -values[-1]])
            whole, own = float(line @ covariance @ line), float(line @ scatter @ line)
            df = self._df(place, pair, line * (1.0 + changes))
            df = df * (whole / own) ** 2 if own > 0.0 else math.inf
            up, down = changes.tolist()
            ends.append(fieller(up, down, covariance.tolist(), self.critical(df)))
        value = float(np.mean(values))
        known = [interval for interval in ends if interval is not None]
        if len(known) < len(ends) or not math.isfinite(value):
            return (value if math.isfinite(value) else None), None
        return value, (min(low for low, _ in known), max(high for _, high in known))

    def _df(self, place: int, columns: Sequence[int], factors: Floats) -> float:
        """The degrees of freedom of a sum of `columns` times `factors`, on one side."""
        summed = self.table.values[:, columns] @ factors
        table = RunTable(self.table.runs, ("sum",), summed[:, None])
        return float(self.compare(table)[place].df[0])


def stand_parts(table: RunTable, weights: Floats, log: Callable[[str], bool]) -> list[Part]:
    """What the stand's components add to the changes that `weights` make of the runs.

    One part for each component; a gain error that all runs share adds nothing to a ratio. The
    reference may have moved between setups, so its drift is one part for each setup. `log` says
    which quantities are compared as logarithms.
    """
    tags: dict[object, str] = {}
    effects: dict[object, dict[str, float]] = {}
    for run, weight in zip(table.runs, weights.tolist(), strict=True):
        if not weight:
            continue
        for name, reading in run.measured.items():
            if name not in table.names:
                continue
            scale = weight / reading.nominal_value if log(name) else weight
            for variable, slope in reading.derivatives.items():
                drifts = variable.tag == REFERENCE_DRIFT
                source = (REFERENCE_DRIFT, run.setup) if drifts else variable
                tags[source] = variable.tag or "other"
                mine = effects.setdefault(source, {})
                mine[name] = mine.get(name, 0.0) + scale * slope * variable.std_dev
    return [Part(tags[source], mine) for source, mine in effects.items()]


def _scatter(side: Contrast, index: int) -> float:
    return math.sqrt(max(float(side.covariance[index, index]), 0.0))


def combined_u(scatter: float, df: float, known: float) -> tuple[float, float]:
    """Both standard uncertainties together, and their effective degrees of freedom.

    JCGM 100:2008, G.4, Welch-Satterthwaite: what is known has infinitely many.
    """
    combined = math.hypot(scatter, known)
    return combined, df * (combined / scatter) ** 4 if scatter > 0.0 else math.inf
