"""Means of the steady window of holds whose spin-up, noise and settled value are known.

The truth of a run is the mean over the same lines of the same run without its spin-up. Speed
goes from its first value to its settled one as named; current does the same from 1.8 times as
far, for it follows the load. Noise per line: speed 0.05 % and current 1 % (white), half of it
again with a correlation time of 50 ms (AR(1)), or a sine of 0.5 % in the current of a period
of 4 to 20 s (wander). A quantity that drifts has no one value: what it drifts by in half a
window is allowed as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import signal

from rig.analysis.steady import mean_over, steady_window
from tests.truth import Table

Floats = NDArray[np.float64]

PROMISED_PCT = 0.02
"""A mean may be off by so much, or by a third of its standard error where that is more."""

PROMISED_SHARE = 0.95
"""Of the holds longer than LONG_TAUS time constants, so many have a steady part."""

LONG_TAUS = 6.0
FEW = 10
"""Fewer runs with a steady part say nothing of their mean."""

SPEED_RPM, CURRENT_A = 11_000.0, 30.0


def ramped(t: Floats, tau: float, ramp_s: float) -> Floats:
    """A controller's straight ramp, followed with a first-order lag: 0 to 1."""

    def lagging(since: Floats) -> Floats:
        after = np.maximum(since, 0.0)
        return np.asarray(after - tau * (1.0 - np.exp(-after / tau)))

    return (lagging(t) - lagging(t - ramp_s)) / ramp_s


def overshot(t: Floats, tau: float) -> Floats:
    """The step response of a second-order system with a damping of 0.6; its envelope has tau."""
    damping = 0.6
    ring = np.sqrt(1.0 - damping**2)
    angle = t / tau * ring / damping
    swing = np.cos(angle) + damping / ring * np.sin(angle)
    return np.asarray(1.0 - np.exp(-t / tau) * swing)


SHAPES = {
    "first order": lambda t, tau: 1.0 - np.exp(-t / tau),
    "from 70 %": lambda t, tau: 1.0 - 0.3 * np.exp(-t / tau),
    "from 140 %": lambda t, tau: 1.0 + 0.4 * np.exp(-t / tau),
    "ramp 0.3 s": lambda t, tau: ramped(t, tau, 0.3),
    "ramp 1 s": lambda t, tau: ramped(t, tau, 1.0),
    "overshoot": overshot,
}
ENDS_LATER_S = {"ramp 0.3 s": 0.3, "ramp 1 s": 1.0}
DRIFTS_PER_S = {"falling supply": -0.0005}
NOISES = ("white", "AR(1)", "wander")


@dataclass
class Case:
    """One kind of hold; `drift_per_s` is of both quantities, relative."""

    shape: str
    tau_s: float
    hold_s: float
    line_hz: int
    noise: str
    drift_per_s: float = 0.0

    @property
    def is_long(self) -> bool:
        """Whether it has to have a steady part. An overshoot takes a third longer to settle."""
        taus = LONG_TAUS * (4.0 / 3.0 if self.shape == "overshoot" else 1.0)
        return self.hold_s - ENDS_LATER_S.get(self.shape, 0.0) > taus * self.tau_s * 1.0001


@dataclass
class Found:
    """What came of the runs of one case: errors and standard errors in %, a row per run."""

    runs: int
    corrected: int = 0
    longest_s: float = 0.0
    errors: list[tuple[float, float]] = field(default_factory=list)
    reported: list[tuple[float, float]] = field(default_factory=list)

    @property
    def share(self) -> float:
        """How many had a steady part."""
        return len(self.errors) / self.runs


def hold(case: Case, random: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One run, and the same run without its spin-up."""
    time_s = (np.arange(round(case.hold_s * case.line_hz)) + random.uniform()) / case.line_hz
    rows = len(time_s)
    noise = random.normal(size=(2, rows)) * np.array([[0.0005], [0.01]])
    if case.noise == "AR(1)":
        stays = np.exp(-1.0 / (0.05 * case.line_hz))
        fresh = random.normal(size=(2, rows)) * np.sqrt(1.0 - stays**2)
        fresh[:, 0] = random.normal(size=2)
        noise += signal.lfilter([1.0], [1.0, -stays], fresh) * np.array([[0.00025], [0.005]])
    if case.noise == "wander":
        period_s, phase = random.uniform(4.0, 20.0), random.uniform(0.0, 2.0 * np.pi)
        noise[1] += 0.005 * np.sin(2.0 * np.pi * time_s / period_s + phase)
    course = SHAPES[case.shape](time_s, case.tau_s) - 1.0
    drift = 1.0 + case.drift_per_s * time_s

    def frame(left: float) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "time_s": time_s,
                "phase": "running",
                "throttle_pct": 70.0,
                "speed_rpm": SPEED_RPM * ((1.0 + left * course) * drift + noise[0]),
                "current_a": CURRENT_A * ((1.0 + 1.8 * left * course) * drift + noise[1]),
                "valid": True,
            }
        )

    return frame(1.0), frame(0.0)


def measure(case: Case, runs: int, seed: int = 1) -> Found:
    """The means of `runs` such holds."""
    random, found = np.random.default_rng(seed), Found(runs)
    for _ in range(runs):
        measured, settled = hold(case, random)
        window = steady_window(measured)
        if window is None:
            continue
        inside = measured["time_s"].between(window.start_s, window.end_s)
        errors, reported = [], []
        for column in ("speed_rpm", "current_a"):
            mean, error = mean_over(window, measured["time_s"][inside], measured[column][inside])
            truth = settled[column][inside].mean()
            errors.append(100.0 * (mean / truth - 1.0))
            reported.append(100.0 * error / truth)
        found.errors.append((errors[0], errors[1]))
        found.reported.append((reported[0], reported[1]))
        found.corrected += window.settling_s is not None
        found.longest_s = max(found.longest_s, window.end_s - window.start_s)
    return found


def cases(small: bool) -> list[Case]:
    """All first-order spin-ups, and fewer of the others."""
    taus = (0.15, 0.35, 0.5) if small else (0.15, 0.25, 0.35, 0.5)
    holds = (3.0, 4.0, 10.0) if small else (3.0, 4.0, 6.0, 10.0)
    rates = (5, 100) if small else (5, 20, 100, 1000)
    noises = ("wander",) if small else NOISES
    first = [Case("first order", *rest) for rest in product(taus, holds, rates, noises)]
    rates = (20,) if small else (5, 20, 200)
    holds = (6.0,) if small else (4.0, 6.0, 10.0)
    others = [
        Case(shape, *rest)
        for shape in list(SHAPES)[1:]
        for rest in product((0.15, 0.5), holds, rates, ("wander",))
    ]
    drifts = [
        Case("first order", *rest, DRIFTS_PER_S["falling supply"])
        for rest in product((0.15, 0.5), holds, rates, ("white",))
    ]
    return first + others + drifts


def table(small: bool = False) -> Table:
    """Spin-ups by holds by rates by noise: bias of the mean, share with a steady part."""
    made = Table(
        "bias of the mean over the steady window, and how many holds have one",
        (
            "spin-up", "tau, s", "hold, s", "lines/s", "noise", "steady, %", "corrected, %",
            "speed, %", "s.e.", "current, %", "s.e.",
        ),
    )  # fmt: skip
    runs = 20 if small else 40
    long: dict[str, list[float]] = {}
    for case in cases(small):
        found = measure(case, runs)
        name = case.shape + (" falling" if case.drift_per_s else "")
        cells = ["", "", "", ""]
        if found.errors:
            bias, reported = np.mean(found.errors, axis=0), np.mean(found.reported, axis=0)
            unsure = np.std(found.errors, axis=0) / np.sqrt(len(found.errors))
            cells = [f"{value:+.3f}" for pair in zip(bias, reported, strict=True) for value in pair]
            drift_pct = 100.0 * abs(case.drift_per_s) * found.longest_s / 2.0
            allowed = np.maximum(PROMISED_PCT, reported / 3.0) + drift_pct
            # Two standard errors of the Monte Carlo itself are no bias.
            off = np.abs(bias) - 2.0 * unsure > allowed
            if len(found.errors) >= FEW and off.any():
                made.broken.append(f"the mean is off by {bias} %, allowed are {allowed} %: {case}")
        if case.is_long:
            long.setdefault(name, []).append(found.share)
        made.rows.append(
            (
                name, f"{case.tau_s:g}", f"{case.hold_s:g}", str(case.line_hz), case.noise,
                f"{100.0 * found.share:.0f}",
                f"{100.0 * found.corrected / max(len(found.errors), 1):.0f}", *cells,
            )
        )  # fmt: skip
    for name, shares in long.items():
        made.rows.append(
            (name, "", "", "", "all long", f"{100.0 * np.mean(shares):.1f}", *[""] * 5)
        )
        if np.mean(shares) < PROMISED_SHARE:
            made.broken.append(f"only {100.0 * np.mean(shares):.1f} % are steady: {name}")
    return made
