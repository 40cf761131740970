"""Estimated changes from where the runs of a setup operate."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.analysis.answers import Question
from rig.analysis.powertrain import Alternative, Point, alternatives, motor_at
from rig.analysis.runs import Run
from rig.analysis.usable import has

OPERATING = ("speed_rpm", "current_a", "power_w")
"""What an operating point needs."""


def estimates(
    runs: Sequence[Run], wanted_pct: float, question: Question
) -> tuple[Alternative, ...]:
    """Other changes that would give `wanted_pct` of speed, from the mean of `runs`.

    `runs` have all of OPERATING; none give none.
    """
    if not runs:
        return ()
    rpm, amps, watts = (float(np.mean([run.figures[name] for run in runs])) for name in OPERATING)
    point = Point(rpm, watts / amps, amps)
    throttle = runs[0].throttle[-1][0] / 100.0 if runs[0].throttle else 1.0
    rest_v = [run.figures["voltage_rest_v"] for run in runs if has(run, "voltage_rest_v")]
    return tuple(
        alternatives(
            motor_at(point, kv_rpm_per_v=question.kv_rpm_per_v, throttle=throttle),
            point,
            wanted_pct=wanted_pct,
            gear=question.gear,
            cells=runs[0].cells,
            limits=runs[0].limits,
            rest_v=float(np.mean(rest_v)) if rest_v else None,
        )
    )
