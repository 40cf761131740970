"""How well a reading is known: component tolerances, the converter and its reference.

Works with the `uncertainties` library, which it alone of this room imports; the recorder
never comes here. What cancels in a ratio of two readings on one stand:

- a component (shunt, gain, divider, thermistor, clock) is one variable, so a gain cancels;
- the converter's linearity cancels between equal counts and not between readings far apart. That a
  signal which ripples over many counts averages it is not credited;
- the drift of the reference is another variable in every run, and does not cancel. In a
  resistive sensor or a bridge fed by the reference it does not show at all. Where the board
  measures its reference, the bandgap's drift stands in its place, and the converter's linearity
  between the bandgap's count now and at calibration.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import fields
from functools import cache, lru_cache
from types import SimpleNamespace
from typing import Any

from uncertainties import correlated_values, ufloat

from rig.stand.bound import BoundChannel
from rig.stand.model import (
    REFERENCE_DRIFT,
    Converter,
    Digital,
    Line,
    Parameter,
    Reference,
    Tachometer,
)

STEP_U = 1 / math.sqrt(12)
"""Standard uncertainty of a value known to one step, in steps (JCGM 100:2008 F.2.2.1)."""

CYCLE_U = 1 / math.sqrt(2)
"""Standard uncertainty of a cyclic error, in amplitudes (arcsine distribution; JCGM 101:2008 6.4.6,
from memory): a converter's linearity error bends one way and the other over its range, and is at
its ends oftener than a rectangular distribution has it."""

HALF_WIDTH_U = 1 / math.sqrt(3)
"""Standard uncertainty of a rectangular distribution, in half-widths (JCGM 100:2008 4.3.7)."""

NEAR_COUNTS = 4.0
"""Counts over which a converter's linearity error changes to another: readings one count apart
then differ by a step's error of +-0.4 count, as data sheets state it (from memory), and
readings further apart than twice this have nothing in common."""

RUNS_REMEMBERED = 4096

NORMAL_975 = 1.959964
"""The 97.5 % quantile of the normal distribution."""


class Components:
    """Variables by what they are: one component is one variable, in however many captures.

    Two captures share a component where its channel, its name, its value and its uncertainty
    are the same, whatever else was changed between them.
    """

    def __init__(self) -> None:
        self._known: dict[Hashable, Any] = {}

    def one(self, key: Hashable, value: float, u: float, tag: str) -> Any:
        """The variable of `key` with these figures; a plain number where nothing is uncertain."""
        if not u:
            return value
        whole = (key, value, u)
        if whole not in self._known:
            self._known[whole] = ufloat(value, u, tag)
        return self._known[whole]

    def line(self, key: Hashable, line: Line, tag: str) -> tuple[Any, Any]:
        """Intercept and slope of a fitted line, correlated."""
        values = (line.intercept, line.slope)
        if not any(map(any, line.covariance)):
            return values
        whole = (key, line)
        if whole not in self._known:
            factor = student_factor(line.fit_points) ** 2
            covariance = [[factor * entry for entry in row] for row in line.covariance]
            self._known[whole] = correlated_values(values, covariance, tags=[tag] * 2)
        intercept, slope = self._known[whole]
        return intercept, slope


@cache
def student_factor(fit_points: int | None) -> float:
    """What a fitted line's standard uncertainty is multiplied by, for 95 % intervals that hold.

    Intervals are made with the normal distribution's 1.96, since what a stand adds counts as
    known well. A scatter estimated with few degrees of freedom (points - 2) needs Student's t
    (JCGM 100:2008 G.3, H.3), so this is t(0.975) / 1.96: 6.48 for three points, 1.18 for ten.
    1 for None.
    """
    if fit_points is None:
        return 1.0
    from scipy.special import stdtrit

    return float(stdtrit(fit_points - 2, 0.975)) / NORMAL_975


class Budget:
    """The parameters of a stand as variables, those of `components` where it is given.

    `board` says which board the components belong to. Reference voltages with the same figures
    are taken for one and the same: a board has one reference.
    """

    def __init__(
        self,
        components: Components | None = None,
        board: str = "",
        converter: Converter | None = None,
        reference: Reference | None = None,
    ) -> None:
        self._components = components or Components()
        self._board = board
        self._converter = converter or Converter()
        self._reference = reference
        self._parameters: dict[str, SimpleNamespace] = {}
        self._drifts = lru_cache(RUNS_REMEMBERED)(self._drift)

    def reading(
        self,
        bound: BoundChannel,
        value: float,
        run: Hashable = (),
        *,
        single: bool = True,
        ratio: float = 1.0,
    ) -> Any:
        """A reading of `value` as a `UFloat`: a `single` line's, or the mean of many.

        Readings of the same `run` share the reference's drift. A mean has no steps of its own:
        they are in its scatter. The steps of the conversions in a sum are taken as independent,
        as they are where noise of a step or more moves the input. Without noise all conversions
        of a sum err alike, and this part is too small by the square root of their number. `ratio`
        is the reference in this run over that at calibration.
        """
        if bound.column not in self._parameters:
            self._parameters[bound.column] = self._parameters_of(bound)
        ratio = ratio if bound.feels_reference else 1.0
        count = bound.count_for(value, ratio)
        step_u = STEP_U / math.sqrt(bound.channel.conversions)
        mean = bound.mean_count(count)
        mean = ufloat(mean, step_u) if single else mean
        mean = mean + self._nonlinearity(bound, count)
        if bound.feels_reference:
            mean = mean * self._drifts(run) * self._ratio(ratio)
        return bound.quantity(mean, self._parameters[bound.column])

    def speed(
        self,
        tachometer: Tachometer,
        tick_hz: int,
        line_hz: int,
        rpm: float,
        *,
        single: bool = True,
    ) -> Any:
        """A speed of `rpm` as a `UFloat`: the board's clock, and two edges known to a tick,
        one line or one edge apart, whichever is longer.
        """
        u = tachometer.clock_tolerance_pct / 100 * HALF_WIDTH_U
        clock = self._components.one((self._board, "clock"), 1.0, u, "board clock")
        edges_hz = abs(rpm) / 60 * tachometer.pulses_per_revolution
        if not single:
            return clock * rpm
        per_tick = min(line_hz, edges_hz) / tick_hz
        return clock * ufloat(rpm, abs(rpm) * per_tick * math.sqrt(2) * STEP_U)

    def _drift(self, _run: Hashable) -> Any:
        measured = self._reference
        pct = measured.steadiness_pct if measured else self._converter.reference_drift_pct
        u = pct / 100 * HALF_WIDTH_U
        return ufloat(1.0, u, REFERENCE_DRIFT) if u else 1.0

    def _ratio(self, ratio: float) -> Any:
        """The reference over that at calibration: exactly 1 at the count of calibration."""
        if self._reference is None:
            return 1.0
        before = self._reference.count_at_calibration
        key = (self._board, "reference", self._reference.board_label)
        errors = [self._error_at(key, "reference", code) for code in (before, before / ratio)]
        return (before + errors[0]) / (before / ratio + errors[1])

    def _nonlinearity(self, bound: BoundChannel, count: float) -> Any:
        """The converter's linearity error at `count`, in counts of one conversion.

        Where the board took a zero, the error at the zero's own count is subtracted with it.
        """
        if isinstance(bound.sensor, Digital):
            return 0.0  # no converter of the board's
        conversions, zero = bound.channel.conversions, bound.channel.zero
        key, tag = (*self._key(bound), bound.channel.full_scale), bound.column
        error = self._error_at(key, tag, (count + zero) / conversions)
        return error - self._error_at(key, tag, zero / conversions) if bound.zeroed else error

    def _error_at(self, key: tuple[Hashable, ...], tag: str, code: float) -> Any:
        """Between independent errors `NEAR_COUNTS` apart, of the same size everywhere: weights
        of sine and cosine keep the variance."""
        u = self._converter.linearity_counts * CYCLE_U
        place, share = divmod(code / NEAR_COUNTS, 1.0)
        lower, upper = (
            self._components.one((*key, "linearity", int(place) + step), 0.0, u, f"{tag} linearity")
            for step in (0, 1)
        )
        angle = share * math.pi / 2
        return math.cos(angle) * lower + math.sin(angle) * upper

    def _parameters_of(self, bound: BoundChannel) -> SimpleNamespace:
        sensor = bound.sensor
        if isinstance(sensor, Line):
            # The line as it was fitted: a board's zero leaves its slope the same component.
            fitted = bound.settings.sensor
            assert isinstance(fitted, Line)
            key = (*self._key(bound), "line")
            intercept, slope = self._components.line(key, fitted, f"{bound.column} line")
            return SimpleNamespace(intercept=0.0 if bound.zeroed else intercept, slope=slope)
        result = SimpleNamespace()
        for field in fields(sensor):
            value = getattr(sensor, field.name)
            if isinstance(value, Parameter):
                value = self._variable(bound, field.name, value)
            setattr(result, field.name, value)
        return result

    def _variable(self, bound: BoundChannel, name: str, parameter: Parameter) -> Any:
        key, tag = (*self._key(bound), name), f"{bound.column} {name}"
        if name == "reference_v":
            key, tag = (self._board, name), name
        return self._components.one(key, parameter.value, parameter.u, tag)

    def _key(self, bound: BoundChannel) -> tuple[Hashable, ...]:
        return self._board, bound.column, bound.settings.board_label, bound.sensor.kind


def run_of(values: Mapping[str, float]) -> Hashable:
    """What a run's means are known by: the same means are the same run's."""
    return tuple(sorted(values.items()))
