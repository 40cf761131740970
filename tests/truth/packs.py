"""The supply's resistance against packs whose resistance is known.

A pack here is an open-circuit voltage that falls with the charge drawn, straight or curved, a
resistance, and in half of the rows a slow process: 0.4 times the resistance behind a lag of 1.5
to 12 s, which is not counted to the resistance. The currents are steps with a spin-up of 0.25 s
and gusts of 0.5 %; the readings have noise and converter steps.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from rig.analysis.supply import supply_resistance_ohm
from tests.truth import Table

Floats = NDArray[np.float64]

FINE_S = 0.002
HOLDS_AT_LEAST = 0.93
GIVEN_AT_LEAST = 0.5
K_95 = 1.96

PATTERNS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "one step": ((1.0, 6.0, 1.0),),
    "no coast-down": ((1.0, 6.0, 1.0),),
    "40-70": ((1.0, 4.0, 0.35), (4.0, 7.0, 1.0)),
    "up-down-up": ((1.0, 3.0, 0.5), (3.0, 5.0, 1.0), (5.0, 7.0, 0.4), (7.0, 9.0, 1.0)),
    "ramp": tuple((1.0 + 0.01 * k, 7.0, (k + 1) / 600.0) for k in range(600)),
}
"""Steps from s, to s, share of the largest current."""

CURVES = (
    lambda used: (1.0 - np.exp(-3.0 * used)) / (1.0 - np.exp(-3.0)),
    lambda used: 0.3 * used + 0.7 * used**4,
    lambda used: 0.5 * used + 0.5 * np.tanh(6.0 * (used - 0.5)) / np.tanh(3.0) / 2.0 + 0.25,
)
"""Open-circuit volts that fall most at the beginning, at the end, or in the middle."""


@dataclass(frozen=True)
class Pack:
    """A pack and how it is watched."""

    ohm: float = 0.016
    empties: float = 0.0
    """The share of its volts that it loses over the run."""
    curved: bool = False
    slow: bool = False
    pattern: str = "one step"
    full_a: float = 40.0
    noise: float = 0.0
    """Of the amps, as a share of `full_a`."""
    lines_hz: int = 100


def run_of(pack: Pack, rng: np.random.Generator) -> pd.DataFrame:
    """What the board saw of one run."""
    steps = PATTERNS[pack.pattern]
    seconds = steps[-1][1] + (0.0 if pack.pattern == "no coast-down" else 2.0)
    fine_s = np.arange(0.0, seconds, FINE_S)
    level = np.zeros_like(fine_s)
    for start_s, end_s, share in steps:
        level[(fine_s >= start_s) & (fine_s < end_s)] = share
    spun = np.where(level > 0.0, _lagged(level, 0.25), 0.0)
    gust = lfilter([0.14], [1.0, -0.99], rng.normal(size=len(fine_s))) * 0.005
    amps = 0.3 + pack.full_a * spun * (1.0 + gust)
    used = np.cumsum(amps) / amps.sum()
    fallen = CURVES[int(rng.integers(len(CURVES)))](used) if pack.curved else used
    volts = 24.0 * (1.0 - pack.empties * fallen) - pack.ohm * amps
    if pack.slow:
        lag_s = float(np.exp(rng.uniform(np.log(1.5), np.log(12.0))))
        volts -= 0.4 * pack.ohm * _lagged(amps, lag_s)
    time_s = np.arange(0.0, seconds, 1.0 / pack.lines_hz)
    count = len(time_s)
    noisy_a = np.interp(time_s, fine_s, amps) + pack.noise * pack.full_a * rng.normal(size=count)
    noisy_v = np.interp(time_s, fine_s, volts) + 0.01 * rng.normal(size=count)
    return pd.DataFrame(
        {
            "time_s": time_s,
            "current_a": np.round(noisy_a / 0.02) * 0.02,
            "voltage_v": np.round(noisy_v / 0.006) * 0.006,
            "phase": np.where((time_s >= 1.0) & (time_s < steps[-1][1]), "running", "ready"),
            "valid": True,
        }
    )


def _lagged(values: Floats, lag_s: float) -> Floats:
    share = 1.0 - np.exp(-FINE_S / lag_s)
    lagged: Floats = lfilter([share], [1.0, share - 1.0], values)
    return lagged


def table(small: bool = False) -> Table:
    """Each row: how often a resistance is given, and how often its interval has the truth."""
    found = Table(
        "the supply's resistance, 5 to 60 mohm, noise of 0 to 3 % in the amps, 20 to 1000 lines/s",
        ("steps", "empties", "curve", "slow", "runs", "given", "holds truth", "2u / R"),
    )
    rng = np.random.default_rng(16)
    wanted, holds = [], []
    kinds = itertools.product(PATTERNS, (0.0, 0.01, 0.05), (False, True), (False, True))
    for pattern, empties, curved, slow in kinds:
        if curved and not empties:
            continue
        packs = [
            Pack(ohm, empties, curved, slow, pattern, full_a, noise, lines_hz)
            for ohm, full_a, noise, lines_hz in itertools.product(
                (0.005, 0.016, 0.06), (10.0, 40.0), (0.0, 0.01, 0.03), (20, 100, 1000)
            )
        ]
        packs = packs[int(rng.integers(5)) :: 5] if small else packs
        answers = [(pack.ohm, supply_resistance_ohm(run_of(pack, rng))) for pack in packs]
        given = [(ohm, answer) for ohm, answer in answers if answer is not None]
        held = [abs(answer[0] - ohm) <= K_95 * answer[1] for ohm, answer in given]
        reach = [2.0 * answer[1] / ohm for ohm, answer in given]
        holds += held
        if empties <= 0.01:
            wanted += [answer is not None for _, answer in answers]
        found.rows.append(
            (
                pattern,
                f"{100.0 * empties:g} %",
                "curved" if curved else "straight",
                "yes" if slow else "no",
                str(len(packs)),
                f"{100.0 * len(given) / len(packs):.0f} %",
                f"{100.0 * np.mean(held):.0f} %" if held else "-",
                f"{100.0 * np.median(reach):.1f} %" if reach else "-",
            )
        )
    found.rows.append(
        ("all", "", "", "", "", f"{100.0 * np.mean(wanted):.1f} % (1 % or less)",
         f"{100.0 * np.mean(holds):.1f} %", "")
    )  # fmt: skip
    if np.mean(holds) < HOLDS_AT_LEAST:
        found.broken.append(f"only {100.0 * np.mean(holds):.1f} % of the intervals hold the truth")
    if np.mean(wanted) < GIVEN_AT_LEAST:
        found.broken.append(f"given in {100.0 * np.mean(wanted):.1f} % of the rows that need it")
    return found
