"""A run over time in characters, for `rig show`."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rig.report.terminal import console
from rig.report.words import quantity_name

Floats = NDArray[np.float64]

_COLUMNS = ("speed_rpm", "current_a")
_WIDEST = 110


def print_plot(frame: pd.DataFrame, zero_s: float | None = None) -> None:
    """Speed and current over time, one small plot under the other; gaps stay gaps.

    Time counts from `zero_s`, the start of the last throttle hold, where there is one.
    """
    import plotext

    shown = [column for column in _COLUMNS if column in frame]
    width = min(console().width, _WIDEST)
    for column in shown:
        time_s, values = _thinned(frame, column, 2 * width)
        if not len(time_s):
            continue
        time_s = time_s - (zero_s or 0.0)
        plotext.clear_figure()
        plotext.theme("clear")
        plotext.plot_size(width, 12)
        plotext.plot(time_s.tolist(), values.tolist(), marker="braille")
        plotext.title(quantity_name(column))
        plotext.xlabel("s" if zero_s is None else "s from the start of the last hold")
        console().print(plotext.uncolorize(plotext.build()), soft_wrap=True)


def _thinned(frame: pd.DataFrame, column: str, parts: int) -> tuple[Floats, Floats]:
    """Lowest and highest value of each part, so that no short peak is left out."""
    known = frame[["time_s", column]].dropna().to_numpy(dtype=float)
    chosen: list[int] = []
    for part in np.array_split(np.arange(len(known)), parts):
        if len(part):
            chosen += sorted({part[known[part, 1].argmin()], part[known[part, 1].argmax()]})
    return known[chosen, 0], known[chosen, 1]
