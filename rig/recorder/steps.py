"""The planned throttle steps of a run. Pure: how long the motor has run in, what is due out."""

from __future__ import annotations


class Steps:
    """Steps of (percent, seconds), one after the other; the last one stays."""

    def __init__(self, steps: tuple[tuple[float, float], ...]) -> None:
        self._steps = steps
        self._taken = -1

    def give_up(self) -> None:
        """The operator drives from now on."""
        self._steps = ()

    def due(self, elapsed_s: float) -> float | None:
        """The percentage to set now, once per step; None when nothing is to change."""
        step, _ = self._at(elapsed_s)
        if step < 0 or step == self._taken:
            return None
        self._taken = step
        return self._steps[step][0]

    def instruction(self, elapsed_s: float) -> str:
        """The same in words, for an operator who holds the throttle."""
        step, left_s = self._at(elapsed_s)
        return f"throttle to {self._steps[step][0]:g} %, hold {left_s:.0f} s" if step >= 0 else ""

    def _at(self, elapsed_s: float) -> tuple[int, float]:
        end_s = 0.0
        for index, (_, hold_s) in enumerate(self._steps):
            end_s += hold_s
            if elapsed_s < end_s:
                return index, end_s - elapsed_s
        return len(self._steps) - 1, 0.0
