"""A run over time, and over its steps, in characters, for `rig show`."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rig.analysis.steps import OverSteps
from rig.report.terminal import console
from rig.report.words import quantity_name

Floats = NDArray[np.float64]

_COLUMNS = ("speed_rpm", "current_a")
_WIDEST = 110

FEWEST_OF_A_CURVE = 3
"""Steps; two make no curve."""


def print_plot(
    frame: pd.DataFrame, zero_s: float | None = None, since: str = "the last hold"
) -> None:
    """Speed and current over time, one small plot under the other; gaps stay gaps.

    Time counts from `zero_s`, the start of the throttle hold named `since`, where there is one.
    """
    for column in (column for column in _COLUMNS if column in frame):
        time_s, values = _thinned(frame, column, 2 * _width())
        if len(time_s):
            name = "s" if zero_s is None else f"s from the start of {since}"
            _plot(time_s - (zero_s or 0.0), values, quantity_name(column), name)


def print_curves(over: OverSteps) -> None:
    """Power and current over speed, where three or more steps have them."""
    for column, values in (("power_w", over.power_w), ("current_a", over.current_a)):
        known = np.isfinite(over.speed_rpm) & np.isfinite(values)
        if known.sum() >= FEWEST_OF_A_CURVE:
            name = f"{quantity_name(column)}, over speed; a dot is a step"
            _plot(over.speed_rpm[known], values[known], name, "rpm", dots=True)


def _plot(x: Floats, y: Floats, title: str, x_name: str, *, dots: bool = False) -> None:
    """One small plot as wide as the terminal, a line through the points."""
    import plotext

    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(_width(), 12)
    plotext.plot(x.tolist(), y.tolist(), marker="braille")
    if dots:
        plotext.scatter(x.tolist(), y.tolist(), marker="●")
    plotext.title(title)
    plotext.xlabel(x_name)
    console().print(plotext.uncolorize(plotext.build()), soft_wrap=True)


def _width() -> int:
    return min(console().width, _WIDEST)


def _thinned(frame: pd.DataFrame, column: str, parts: int) -> tuple[Floats, Floats]:
    """Lowest and highest value of each part, so that no short peak is left out."""
    known = frame[["time_s", column]].dropna().to_numpy(dtype=float)
    chosen: list[int] = []
    for part in np.array_split(np.arange(len(known)), parts):
        if len(part):
            chosen += sorted({part[known[part, 1].argmin()], part[known[part, 1].argmax()]})
    return known[chosen, 0], known[chosen, 1]
