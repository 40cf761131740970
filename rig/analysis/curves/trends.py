"""Setups that are levels of one number, such as degrees of advance, at equal speeds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.answers import Trend
from rig.analysis.contrasts import Floats
from rig.analysis.curves.answers import Remark
from rig.analysis.curves.fit import fit
from rig.analysis.curves.steps import comparable, shared_range_rpm
from rig.analysis.effects import RunTable
from rig.analysis.steps import OverSteps
from rig.analysis.trend import levels_of, trend
from rig.errors import SettingsError

SPEEDS = 3
"""Where no speeds are chosen: the ends of the shared range and its middle."""


@dataclass(frozen=True, eq=False)
class CurveTrends:
    """The change of power per unit of the level at each speed, `power` and `speed_rpm` alike long.

    Empty where the setups are no levels of one number, and, with `reasons`, where there are no
    curves.
    """

    speed_rpm: Floats
    power: tuple[Trend, ...] = ()
    reasons: tuple[Remark, ...] = ()


def trends_at(stepped: Sequence[OverSteps], speeds_rpm: Sequence[float] = ()) -> CurveTrends:
    """The trend of electric power over all setups' levels, at chosen speeds in rpm.

    Without the stand's components and the air: what all runs share cancels. Raises SettingsError
    for a speed outside the range that all runs share.
    """
    nowhere = np.empty(0)
    levels = levels_of([one.run.setup for one in stepped])
    if not levels:
        return CurveTrends(nowhere)
    kept, reasons = comparable(stepped, tuple(levels))
    if not kept:
        return CurveTrends(nowhere, reasons=tuple(reasons))
    low, high = shared_range_rpm(kept)
    at = np.array(speeds_rpm, dtype=float) if len(speeds_rpm) else np.linspace(low, high, SPEEDS)
    if at.min() < low or at.max() > high:
        raise SettingsError(
            f"not all of these speeds lie within {low:.0f} to {high:.0f} rpm, which all runs share",
            where="speeds",
        )
    speed, power = (np.array([getattr(one, n) for one in kept]) for n in ("speed_rpm", "power_w"))
    setups = [one.run.setup for one in kept]
    names = tuple(f"power_w at {rpm:.0f} rpm" for rpm in at)
    table = RunTable(tuple(one.run for one in kept), names, fit(setups, speed, power).logs(at))
    found = tuple(trend(table, levels, name, log=lambda _: True) for name in names)
    return CurveTrends(at, found, tuple(reasons))
