"""The truth file: what was really so, one CSV row per data line, for tests to hold against.

Rows join the board's lines by `tick`, which stands as it stood in the line, wrapped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TextIO


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really so, at one moment."""

    time_s: float
    """Since the board was first powered, in true seconds."""
    tick: int
    """The board's tick, wrapped as a data line gives it."""
    current_a: float
    voltage_v: float
    speed_rpm: float
    """Of the shaft that carries the tachometer's marks."""
    motor_degc: float
    controller_degc: float
    pack_degc: float
    winding_degc: float
    edges: int
    """Marks that passed the tachometer since power-up, whatever it made of them."""
    torque_nm: float
    thrust_n: float
    driven: bool


_FIELDS = tuple(item.name for item in fields(Truth))
COLUMNS = ("host_s", *_FIELDS)
"""`host_s` is the host's steady clock when the row was written."""


class TruthFile:
    """Writes rows to `file`, which the caller opens and closes; `clock` gives the host's time."""

    def __init__(self, file: TextIO, clock: Callable[[], float]) -> None:
        self._file, self._clock = file, clock
        file.write(",".join(COLUMNS) + "\n")
        file.flush()

    def write(self, truth: Truth) -> None:
        """One row: seconds, ticks, amperes, volts, rpm, degC, and 0 or 1 for `driven`."""
        values = [self._clock(), *(getattr(truth, name) for name in _FIELDS)]
        row = (str(int(v)) if isinstance(v, int) else f"{v:.12g}" for v in values)
        self._file.write(",".join(row) + "\n")
        self._file.flush()
