"""Runs with several throttle steps: which one a single-point answer uses, and all as arrays."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.analysis.runs import Run, Step
from rig.errors import SettingsError

Floats = NDArray[np.float64]

SAME_PCT = 0.05
"""Throttles that differ by no more are the same: they are sent in tenths of a percent."""


@dataclass(frozen=True, slots=True)
class OverSteps:
    """The means of one run over its steps, in the order made: shapes (steps,).

    nan where a step has no steady part, or a quantity was not measured.
    """

    run: Run
    throttle_pct: Floats
    speed_rpm: Floats
    power_w: Floats
    current_a: Floats
    voltage_v: Floats


def over_steps(run: Run) -> OverSteps:
    """All steps of a run, for a curve of one quantity over another."""

    def means(quantity: str) -> Floats:
        return np.array([step.figures.get(quantity, math.nan) for step in run.steps], dtype=float)

    throttle_pct = np.array([step.throttle_pct for step in run.steps], dtype=float)
    names = ("speed_rpm", "power_w", "current_a", "voltage_v")
    return OverSteps(run, throttle_pct, *map(means, names))


def at_step(run: Run, step: Step) -> Run:
    """`run` as seen at one of its steps: figures, and the zero that its times count from."""
    later_s = run.hold_from_s - step.hold_from_s
    return replace(
        run,
        step=step.number,
        figures=step.figures,
        errors=step.errors,
        window_s=step.window_s,
        hold_from_s=step.hold_from_s,
        still_rising=step.still_rising,
        left_out=step.why,
        events=tuple((s if s is None else s + later_s, text) for s, text in run.events),
    )


def pick(runs: Sequence[Run], throttle_pct: float | None) -> list[Run]:
    """Each run at its step of `throttle_pct`, the last one of several; None leaves all as is.

    A run without such a step is left without figures and says so. Raises SettingsError where
    no run has one.
    """
    if throttle_pct is None:
        return list(runs)
    found = [[s for s in run.steps if _same(s.throttle_pct, throttle_pct)] for run in runs]
    if found and not any(found):
        raise _no_such_step(runs, throttle_pct)
    return [
        at_step(run, steps[-1]) if steps else _without(run, throttle_pct)
        for run, steps in zip(runs, found, strict=True)
    ]


def level_pct(run: Run) -> float | None:
    """The throttle at which a run is judged: of its step, or of a plan with one step."""
    if len(run.steps) > 1 and run.step:
        return run.steps[run.step - 1].throttle_pct
    return run.throttle[-1][0] if run.throttle else None


def step_words(runs: Sequence[Run]) -> str:
    """Which step of `runs` an answer is about; empty where none has several."""
    if all(len(run.steps) < 2 for run in runs):
        return ""
    used = [run.steps[run.step - 1] for run in runs if run.step]
    values = " or ".join(_numbers(step.throttle_pct for step in used))
    places = {(run.step, len(run.steps)) for run in runs if run.step}
    if len(places) > 1:
        last = all(number == count for number, count in places)
        place = "the last step of each run" if last else "not the same step in all runs"
    else:
        ((number, count),) = places
        place = f"the last of {count} steps" if number == count else f"step {number} of {count}"
    return f"at {values} % throttle, {place}"


def other_steps(runs: Sequence[Run]) -> list[str]:
    """A warning for each run whose steps are not those of the other runs of its setup."""
    words = []
    for setup in dict.fromkeys(run.setup for run in runs if run.steps):
        of = {run.name: steps_line(run) for run in runs if run.setup == setup and run.steps}
        ((usual, _),) = Counter(of.values()).most_common(1)
        words += [
            f"{name} has other steps than the other runs of {setup!r}: {steps}, not {usual}"
            for name, steps in of.items()
            if steps != usual
        ]
    return words


def steady_elsewhere(runs: Sequence[Run]) -> list[str]:
    """A hint for `runs` that are left out at their step, where they are steady at another one."""
    throttles_pct = {step.throttle_pct for run in runs for step in run.steps if step.figures}
    known = _numbers(pct for pct in throttles_pct if not math.isnan(pct))
    if not known:
        return []
    return [f"what is left out is steady at {', '.join(known)} %: --step PERCENT compares there"]


def steps_line(run: Run) -> str:
    """The throttles of a run's steps in the order made, such as `30, 50, 70 %`."""
    known = [f"{step.throttle_pct:g}" for step in run.steps if not math.isnan(step.throttle_pct)]
    return f"{', '.join(known)} %" if known else "throttle not known"


def plan_words(throttle: Sequence[tuple[float, float]]) -> str:
    """The planned steps (percent, seconds) in words; of equal steps the seconds once."""
    seconds = {hold_s for _, hold_s in throttle}
    if len(throttle) > 1 and len(seconds) == 1:
        return f"{', '.join(f'{pct:g}' for pct, _ in throttle)} % for {seconds.pop():g} s each"
    return ", ".join(f"{pct:g} % for {hold_s:g} s" for pct, hold_s in throttle) or "-"


def _same(one_pct: float, other_pct: float) -> bool:
    return abs(one_pct - other_pct) <= SAME_PCT


def _without(run: Run, throttle_pct: float) -> Run:
    why = f"it has no step of {throttle_pct:g} %, its steps are {steps_line(run)}"
    nothing = Step(why=why, hold_from_s=run.hold_from_s)
    return at_step(run, nothing)


def _no_such_step(runs: Sequence[Run], throttle_pct: float) -> SettingsError:
    there = {s.throttle_pct for run in runs for s in run.steps if not math.isnan(s.throttle_pct)}
    to_do = "No run has a throttle that is known."
    if there:
        nearest = min(there, key=lambda pct: abs(pct - throttle_pct))
        to_do = f"Did you mean {nearest:g}? The steps are {', '.join(_numbers(there))} %."
    return SettingsError(f"no run has a step of {throttle_pct:g} %", where="--step", to_do=to_do)


def _numbers(throttles_pct: Iterable[float]) -> list[str]:
    return [f"{pct:g}" for pct in sorted(set(throttles_pct))]
