"""How often the intervals contain the truth: `python -m tests.coverage [EXPERIMENTS]`.

Each experiment has a true change, a scatter between runs, 3 to 10 runs per setup, a drift over
the day or none, and one stand whose components are wrong by what their tolerances allow, the
same in all its runs. Half of the experiments have no true change at all.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.analysis.comparison import compare
from rig.analysis.derived import Stand
from rig.analysis.runs import Run
from rig.analysis.verdict import WORTH
from rig.protocol.records import Channel, Hello
from rig.stand.sampler import Sampler
from rig.stand.settings import demo_stand
from tests.bench.scripted import CONVERSIONS, FULL_SCALE, LABELS

EXPERIMENTS = 2000
SCATTERS_PCT = (0.05, 0.2, 0.8)
AT_LEAST, AT_MOST = 0.93, 0.97
WORTH_AT_MOST = 0.05
JUDGED = ("speed_rpm", "current_a", "power_w", "efficiency")


@dataclass
class Tally:
    """What came of the experiments."""

    inside: Counter[str] = field(default_factory=Counter)
    outside: Counter[str] = field(default_factory=Counter)
    withheld: int = 0
    nothing_there: int = 0
    called_worth_it: int = 0

    def share(self, name: str) -> float:
        """How often the interval contained the truth."""
        return self.inside[name] / (self.inside[name] + self.outside[name])

    @property
    def worth_share(self) -> float:
        """How often nothing was called worth it."""
        return self.called_worth_it / self.nothing_there


def new_stand() -> Stand:
    """The demo's stand, its components at what they are said to be."""
    hello = Hello(1, "scripted", "1", 7, 1_000_000, 200, frozenset("STL"), len(LABELS))
    channels = [
        Channel(index, quantity, label, FULL_SCALE, CONVERSIONS, frozenset(), 0)
        for index, (quantity, label) in enumerate(LABELS)
    ]
    sampler = Sampler(demo_stand(), hello, channels)
    return lambda means: sampler.measured(means, single=False)


def experiment(random: np.random.Generator, stand: Stand, tally: Tally) -> None:
    """One before and after."""
    scatter = float(random.choice(SCATTERS_PCT)) / 100.0
    counts = random.integers(3, 11, size=2)
    nothing = bool(random.random() < 0.5)
    true_speed, true_current = (0.0, 0.0) if nothing else random.normal(0.0, [0.015, 0.04])
    drift = float(random.choice([0.0, 0.01]))
    order = _order(random, counts, in_turn=bool(drift) or bool(random.random() < 0.5))
    wrong: dict[Any, float] = {}
    runs = []
    for place, setup in enumerate(order):
        is_b = float(setup == "b")
        late = drift * place / len(order)
        common, *own = random.normal(0.0, scatter, 3)
        true = {
            "speed_rpm": 9000.0 * math.exp(true_speed * is_b + late + common + 0.3 * own[0]),
            "current_a": 30.0 * math.exp(true_current * is_b + 2.0 * (late + common) + own[1]),
            "voltage_v": 24.0 * math.exp(0.1 * own[0]),
        }
        true["power_w"] = true["current_a"] * true["voltage_v"]
        read = {name: _misread(value, wrong, random) for name, value in stand(true).items()}
        runs.append(Run(f"{setup}{place}", setup, "done", read, began_s=60.0 * place, stand=stand))
    item = compare(runs, "a").variants[0]
    truth = {
        "speed_rpm": true_speed,
        "current_a": true_current,
        "power_w": true_current,
        "efficiency": 3.0 * true_speed - true_current,
    }
    for name, logarithm in truth.items():
        if name == "efficiency" and item.efficiency.withheld:
            tally.withheld += 1  # a change so large that it looks like another rotor
            continue
        change = item.change(name)
        interval = item.efficiency.ci95 if name == "efficiency" else change and change.ci95_pct
        assert interval is not None
        hit = interval[0] <= 100.0 * math.expm1(logarithm) <= interval[1]
        (tally.inside if hit else tally.outside)[name] += 1
    if nothing:
        tally.nothing_there += 1
        tally.called_worth_it += item.verdict.word == WORTH


def _order(random: np.random.Generator, counts: Any, *, in_turn: bool) -> list[str]:
    if not in_turn:
        return ["a"] * int(counts[0]) + ["b"] * int(counts[1])
    places = [(float(i + random.random()) / n, s) for s, n in zip("ab", counts, strict=True)
              for i in range(n)]  # fmt: skip
    return [setup for _, setup in sorted(places)]


def _misread(value: Any, wrong: dict[Any, float], random: np.random.Generator) -> float:
    """What a stand reads whose every component is off by its own, lasting error."""
    reading = float(getattr(value, "nominal_value", value))
    for variable, slope in getattr(value, "derivatives", {}).items():
        off = wrong.setdefault(variable, float(random.normal()))
        reading += slope * variable.std_dev * off
    return reading


def run(experiments: int, seed: int = 1) -> Tally:
    """All of it."""
    random, tally, stand = np.random.default_rng(seed), Tally(), new_stand()
    for _ in range(experiments):
        experiment(random, stand, tally)
    return tally


def main() -> int:
    """Print the table; 1 where a promise does not hold."""
    experiments = int(sys.argv[1]) if len(sys.argv) > 1 else EXPERIMENTS
    tally = run(experiments)
    good = True
    print(f"{experiments} experiments; 95 % intervals that contain the truth, {AT_LEAST:.0%} to "
          f"{AT_MOST:.0%} promised")  # fmt: skip
    for name in JUDGED:
        share = tally.share(name)
        holds = AT_LEAST <= share <= AT_MOST
        good &= holds
        print(f"  {name:<12} {share:7.1%}{'' if holds else '  DOES NOT HOLD'}")
    print(f"  the efficiency was withheld {tally.withheld} times")
    holds = tally.worth_share <= WORTH_AT_MOST
    good &= holds
    print(f'"worth it" where nothing changed: {tally.worth_share:.1%} of {tally.nothing_there}, '
          f"at most {WORTH_AT_MOST:.0%}{'' if holds else '  DOES NOT HOLD'}")  # fmt: skip
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
