"""From the steps of each run to a curve of each run.

ln y over ln n: a common cubic term plus a quadratic. Straight lines between steps are wrong by 0.3
to 1.2 % of power, and a cubic of each run's own has no steps left to show its scatter. The cubic
term is the rotor's and the same for all, so that it cancels between setups.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.contrasts import Floats

CUBIC_FROM = 4
"""Steps from which there is a common cubic term; three steps have a quadratic through them."""


@dataclass(frozen=True, eq=False)
class Fit:
    """The curves of runs: ln y = cubic * u^3 + quadratic(u), with u = ln(speed) - centre.

    `quadratics` has shape (runs, 3), highest power first: three numbers per run, which are the
    observations of a comparison.
    """

    setups: tuple[str, ...]
    centre: float
    cubic: float
    quadratics: Floats

    def logs(self, speed_rpm: Floats) -> Floats:
        """ln y of each run at these speeds, shape (runs, speeds)."""
        u = np.log(speed_rpm) - self.centre
        own: Floats = self.quadratics @ np.vander(u, 3).T + self.cubic * u**3
        return own

    def mean(self, setup: str, speed_rpm: Floats) -> Floats:
        """The geometric mean of the runs' curves of a setup, in the unit of y."""
        mine = np.array([name == setup for name in self.setups])
        curve: Floats = np.exp(self.logs(speed_rpm)[mine].mean(axis=0))
        return curve

    def slope(self, setup: str, log_speed: Floats) -> Floats:
        """d ln y / d ln n of a setup's curve."""
        mine = np.array([name == setup for name in self.setups])
        a, b, _ = self.quadratics[mine].mean(axis=0)
        u = log_speed - self.centre
        gradient: Floats = b + 2.0 * a * u + 3.0 * self.cubic * u**2
        return gradient


def fit(setups: Sequence[str], speed_rpm: Floats, values: Floats) -> Fit:
    """The curves of `values`, shape (runs, steps), positive, over `speed_rpm` of the same shape.

    With CUBIC_FROM or more steps the common cubic term is that of least squares over all steps
    with a quadratic per setup; then each run has the quadratic of what the cubic term leaves.
    """
    x, y = np.log(speed_rpm), np.log(values)
    centre = float(x.mean())
    powers = (x - centre)[:, :, None] ** np.array([2, 1, 0])
    cubic = 0.0
    if x.shape[1] >= CUBIC_FROM:
        cubic = _common_cubic(setups, powers, (x - centre) ** 3, y)
    rest = y - cubic * (x - centre) ** 3
    quadratics = (np.linalg.pinv(powers) @ rest[:, :, None])[:, :, 0]
    return Fit(tuple(setups), centre, cubic, quadratics)


def _common_cubic(setups: Sequence[str], powers: Floats, cubes: Floats, y: Floats) -> float:
    over, under = 0.0, 0.0
    for setup in dict.fromkeys(setups):
        mine = np.array([name == setup for name in setups])
        columns = powers[mine].reshape(-1, 3)
        # What a quadratic of the setup leaves of the cubes and of y (Frisch and Waugh).
        both = np.column_stack([cubes[mine].ravel(), y[mine].ravel()])
        left = both - columns @ np.linalg.lstsq(columns, both, rcond=None)[0]
        over += float(left[:, 0] @ left[:, 1])
        under += float(left[:, 0] @ left[:, 0])
    return over / under if under > 0.0 else 0.0
