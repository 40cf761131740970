"""How often intervals contain the truth, and words are false: `python -m tests.coverage [N]`.

One factor at a time is varied from a base row: 5 and 5 runs in turn (A B A B ...), normal scatter
of 0.2 %, one stand whose components are wrong by what their tolerances allow, the same in all its
runs. Each row makes N experiments with the true gain at the smallest gain worth having (where a
false "worth it" is likeliest), and N / 4 with a gain that lies four standard errors above it.
"""

from __future__ import annotations

import csv
import math
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

from rig.analysis.answers import Comparison, Question
from rig.analysis.comparison import compare
from rig.analysis.derived import Stand
from rig.analysis.runs import Run
from rig.analysis.verdict import NOT_WORTH, WORTH
from rig.captures.dataset import Claim, once
from rig.captures.identity import Identity
from rig.protocol.records import Channel, Hello
from rig.stand.sampler import Sampler
from rig.stand.settings import demo_stand
from tests.bench.scripted import CONVERSIONS, FULL_SCALE, LABELS

EXPERIMENTS = 2000
SIGMA = 0.002
SMALLEST_PCT = 1.0
JUDGED = ("speed_rpm", "current_a", "power_w", "ratio", "efficiency")


@dataclass(frozen=True)
class Row:
    """One row of the table: what is varied."""

    name: str
    runs: tuple[int, ...] = (5, 5)
    scatter: str = "normal"
    spreads: tuple[float, ...] = (1.0, 1.0)
    order: str = "in turn"
    drift: str = "none"
    warmer_k: float = 0.0
    supply: float = 0.0
    correlation: float = 0.0
    stand: str = "normal"
    current_a: float = 30.0
    exponents: bool = False
    current_per_speed: float = 5.0
    """Percent of current for each percent of speed."""
    speed_change: float = SMALLEST_PCT / 100.0
    copies: bool = False
    """Whether the folder also has copies and recalibrations of the first runs."""
    fair: bool = True
    """Whether the order separates drift from setup, so that the coverage is promised."""


NO_ORDER = {"order": "blocks", "fair": False}
ROWS: tuple[Row, ...] = (
    Row("base"),
    *[Row(f"runs {a}+{b}", (a, b)) for a, b in ((2, 2), (3, 3), (10, 10), (2, 5), (3, 10))],
    *[Row(f"scatter {kind}", scatter=kind) for kind in ("t3", "skewed", "outliers")],
    Row("scatter 1:5", spreads=(0.3, 1.5)),
    *[Row(f"order {kind}", order=kind) for kind in ("ABBA", "by lot", "there and back")],
    Row("order AABB", **NO_ORDER),
    *[Row(f"drift {kind}", drift=kind) for kind in ("straight", "curved", "step")],
    *[
        Row(f"drift {kind} AABB", drift=kind, **NO_ORDER)
        for kind in ("straight", "curved", "step")
    ],
    *[
        Row(f"drift {kind} A-B-A", drift=kind, order="there and back")
        for kind in ("straight", "curved", "step")
    ],
    Row("start 20 K", warmer_k=20.0),
    Row("start 20 K AABB", warmer_k=20.0, **NO_ORDER),
    Row("supply 3 %", supply=0.03),
    Row("supply 3 % AABB", supply=0.03, **NO_ORDER),
    Row("correlation 0.6", correlation=0.6),
    *[Row(f"setups {n}", (5,) * n, spreads=(1.0,) * n) for n in (3, 6)],
    Row("stand at tolerance", stand="tolerance"),
    Row("two calibrations", stand="two"),
    Row("5 A on 100 A", current_a=5.0),
    *[
        Row(f"exponent {n} %", exponents=True, speed_change=n / 100.0, current_per_speed=3.2)
        for n in (1, 5, 10)
    ],
    Row("counted twice", copies=True),
    Row("5+5 t3, drift step", scatter="t3", drift="step"),
    Row("2+2 drift straight", (2, 2), drift="straight"),
    Row("3+3 by lot, skewed", (3, 3), scatter="skewed", order="by lot"),
)  # fmt: skip


@dataclass
class Tally:
    """What came of the experiments of one row."""

    inside: Counter[str] = field(default_factory=Counter)
    outside: Counter[str] = field(default_factory=Counter)
    words: Counter[str] = field(default_factory=Counter)
    gains: list[float] = field(default_factory=list)
    answered: float = math.nan
    """How often a gain four standard errors above the smallest is called worth it."""

    def share(self, name: str) -> float:
        """How often the interval contained the truth; nan where there was none."""
        total = self.inside[name] + self.outside[name]
        return self.inside[name] / total if total else math.nan

    def rate(self, word: str) -> float:
        """How often the word was said."""
        return self.words[word] / self.words.total()


def new_stand() -> Stand:
    """The demo's stand, its components at what they are said to be."""
    hello = Hello(1, "scripted", "1", 7, 1_000_000, 200, frozenset("STL"), len(LABELS))
    channels = [
        Channel(index, quantity, label, FULL_SCALE, CONVERSIONS, frozenset(), 0)
        for index, (quantity, label) in enumerate(LABELS)
    ]
    sampler = Sampler(demo_stand(), hello, channels)
    return lambda means: sampler.measured(means, single=False)


@cache
def _stands() -> tuple[Stand, Stand]:
    return new_stand(), new_stand()


@cache
def _exponents() -> tuple[float, ...]:
    """Exponents of power over speed, less 3, of real propellers; the source is in the file."""
    path = Path(__file__).parent / "analysis" / "rotor_exponents.csv"
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return tuple(float(row["exponent_less_3"]) for row in csv.DictReader(lines))


def experiment(random: np.random.Generator, row: Row, extra: float, tally: Tally) -> None:
    """One before and after, with a true gain of the row's plus `extra` (logarithms)."""
    gain = math.log1p(row.speed_change) + extra
    exponent = 3.0 + (float(random.choice(_exponents())) if row.exponents else 0.0)
    names = "abcdef"[: len(row.runs)]
    order = _order(random, row)
    scatter = _scatter(random, row, order)
    drift = _drift(row.drift, len(order))
    warm = -row.warmer_k * 0.000393 * random.uniform(0.0, 2.0)
    supply = row.supply * random.uniform(0.8, 1.1)
    wrong: dict[Any, float] = {}
    runs = []
    for place, setup in enumerate(order):
        changed = float(setup != "a")
        speed = changed * (gain + warm + supply) + drift[place] + scatter[place, 0]
        pull = row.current_per_speed * gain + 2.0 * (warm + supply)
        true = {
            "speed_rpm": 9000.0 * math.exp(speed),
            "current_a": row.current_a
            * math.exp(changed * pull + 2.0 * drift[place] + 2.0 * scatter[place, 1]),
            "voltage_v": 24.0 * math.exp(changed * supply + 0.2 * scatter[place, 2]),
        }
        true["power_w"] = true["current_a"] * true["voltage_v"]
        stand = _stands()[setup != "a" if row.stand == "two" else 0]
        read = {name: _misread(v, wrong, random, row) for name, v in stand(true).items()}
        read["power_w"] = read["current_a"] * read["voltage_v"]
        read["voltage_rest_v"] = 25.0 * math.exp(changed * row.supply)
        read["motor_degc_start"] = 21.0 + changed * row.warmer_k
        runs.append(Run(f"{setup}{place}", setup, "done", read, began_s=60.0 * place, stand=stand))
    smallest = SMALLEST_PCT if row.speed_change == SMALLEST_PCT / 100.0 else 100 * row.speed_change
    if row.copies:
        runs = _each_once([*runs, *runs[:6], *runs[:3]])
    result = compare(runs, "a", Question(worth_pct=smallest))
    hits: dict[str, bool] = {}
    for item in result.variants:
        for name, hit in _hits(item, row, gain, exponent).items():
            hits[name] = hits.get(name, True) and hit
    for name, hit in hits.items():
        (tally.inside if hit else tally.outside)[name] += 1
    # Of several variants, the word that is said too soon is what counts.
    words = [item.verdict.word for item in result.variants]
    tally.words[next((w for w in (WORTH, NOT_WORTH) if w in words), words[0])] += 1
    assert len(result.variants) == len(names) - 1
    speed_change = result.variants[0].change("speed_rpm")
    assert speed_change is not None and speed_change.change is not None
    tally.gains.append(math.log1p(speed_change.change / 100.0))


def _each_once(runs: Sequence[Run]) -> list[Run]:
    """As a folder of captures with repeats is gathered; the file's number is its name."""
    claims = [
        Claim(Path(f"{place}.parquet"), Identity(run.name, "hello", run.name, ""), run.outcome,
              rows=1000, calibrated=str(place), calibration="", amended="")
        for place, run in enumerate(runs)
    ]  # fmt: skip
    counted = [runs[int(path.stem)] for path in once(claims)]
    return sorted(counted, key=lambda run: run.began_s)


def _hits(item: Comparison, row: Row, gain: float, exponent: float) -> dict[str, bool]:
    pull = row.current_per_speed * gain
    truth = {"speed_rpm": gain, "current_a": pull, "power_w": pull}
    intervals = {
        name: change.ci95 for name in truth if (change := item.change(name)) and change.ci95
    }
    found = {
        name: low <= 100.0 * math.expm1(truth[name]) <= high
        for name, (low, high) in intervals.items()
    }
    if item.current_per_speed.ci95 is not None:
        low, high = item.current_per_speed.ci95
        found["ratio"] = low <= math.expm1(pull) / math.expm1(gain) <= high
    if item.efficiency.ci95 is not None:
        low, high = item.efficiency.ci95
        found["efficiency"] = low <= 100.0 * math.expm1(exponent * gain - pull) <= high
    return found


def _order(random: np.random.Generator, row: Row) -> list[str]:
    names = "abcdef"[: len(row.runs)]
    if row.order == "blocks":
        return [name for name, n in zip(names, row.runs, strict=True) for _ in range(n)]
    if row.order == "ABBA":
        return [("abba" * row.runs[0])[i] for i in range(sum(row.runs))]
    if row.order == "there and back":
        first = row.runs[0] // 2
        return ["a"] * first + ["b"] * row.runs[1] + ["a"] * (row.runs[0] - first)
    if row.order == "by lot":
        made = [name for name, n in zip(names, row.runs, strict=True) for _ in range(n)]
        return [str(name) for name in random.permutation(made)]
    places = [((i + 0.5) / n + 1e-6 * k, name)
              for k, (name, n) in enumerate(zip(names, row.runs, strict=True))
              for i in range(n)]  # fmt: skip
    return [name for _, name in sorted(places)]


def _scatter(random: np.random.Generator, row: Row, order: Sequence[str]) -> Any:
    """Of speed, current and voltage, shape (runs, 3), standard deviation SIGMA."""
    shape = (len(order), 3)
    if row.scatter == "t3":
        noise = random.standard_t(3, shape) / math.sqrt(3.0)
    elif row.scatter == "skewed":
        noise = random.exponential(1.0, shape) - 1.0
    else:
        noise = random.normal(size=shape)
        if row.scatter == "outliers":
            noise = np.where(random.random((len(order), 1)) < 0.05, 5.0 * noise, noise)
    for place in range(1, len(order)):
        kept = row.correlation
        noise[place] = kept * noise[place - 1] + math.sqrt(1.0 - kept**2) * noise[place]
    spreads = np.array([row.spreads["abcdef".index(name)] for name in order])
    # Speed and current share most of what makes runs differ.
    noise[:, 1] = 0.8 * noise[:, 0] + 0.6 * noise[:, 1]
    return SIGMA * noise * spreads[:, None]


def _drift(kind: str, count: int) -> Any:
    """1 % from the first run to the last."""
    u = np.linspace(0.0, 1.0, count)
    shapes = {"none": 0.0 * u, "straight": u, "curved": u**2, "step": (u > 0.5) * 1.0}
    return 0.01 * shapes[kind]


def _misread(value: Any, wrong: dict[Any, float], random: np.random.Generator, row: Row) -> float:
    """What a stand reads whose every component is off by its own, lasting error."""
    reading = float(getattr(value, "nominal_value", value))
    for variable, slope in getattr(value, "derivatives", {}).items():
        if variable not in wrong:
            wrong[variable] = _wrong(variable.tag or "", random, row)
        reading += slope * variable.std_dev * wrong[variable]
    return reading


def _wrong(name: str, random: np.random.Generator, row: Row) -> float:
    """How far a component is off, in standard uncertainties."""
    if row.stand != "tolerance":
        return float(random.normal())
    if name.endswith("linearity"):  # a cycle over the converter's range, anywhere in it
        return math.sqrt(2.0) * math.sin(float(random.uniform(0.0, 2.0 * math.pi)))
    return math.sqrt(3.0) * float(random.choice([-1.0, 1.0]))


def run(row: Row, experiments: int, seed: int = 1) -> Tally:
    """One row."""
    random, tally = np.random.default_rng(seed), Tally()
    for _ in range(experiments):
        experiment(random, row, 0.0, tally)
    extra = 4.0 * max(float(np.std(tally.gains)), _standard_error(row))
    again = Tally()
    for _ in range(max(experiments // 4, 25)):
        experiment(random, row, extra, again)
    tally.answered = again.rate(WORTH)
    return tally


def _standard_error(row: Row) -> float:
    """Of the difference of two setups' means, from the scatter between runs alone."""
    sides = zip(row.spreads[:2], row.runs[:2], strict=True)
    return SIGMA * math.sqrt(sum(spread**2 / runs for spread, runs in sides))


def ceiling(row: Row) -> float:
    """How often a t-test can see four standard errors at best: its df, noncentral t."""
    small, large = min(row.runs), max(row.runs)
    df = small + large - 2 if small == large else (small + large) ** 2 * (small - 1) * (
        large - 1) / (large**2 * (large - 1) + small**2 * (small - 1))  # fmt: skip
    return float(stats.nct.sf(stats.t.ppf(0.975, df), df, 4.0))


def _can_answer(row: Row) -> bool:
    """Whether four standard errors are the scatter's alone, so that an answer is promised.

    A bent drift and a step widen the interval as they should; there and back the interval
    covers every drift in one direction; conditions that differ are in it.
    """
    same = row.warmer_k == row.supply == 0.0
    return row.fair and same and row.drift in ("none", "straight") and row.order != "there and back"


def promises(row: Row, tally: Tally, experiments: int) -> list[str]:
    """What does not hold; chance is allowed for with three standard errors."""
    slack = 3.0 / math.sqrt(experiments)
    broken = []
    for name in JUDGED:
        share = tally.share(name)
        if row.fair and share < 0.93 - slack * math.sqrt(0.05 * 0.95):
            broken.append(f"{row.name}: {name} is covered in {share:.1%}")
    false = tally.rate(WORTH)
    if false > 0.025 + slack * math.sqrt(0.025 * 0.975):
        broken.append(f'{row.name}: false "worth it" in {false:.1%}')
    least = 0.8 - 2.0 * slack * math.sqrt(0.8 * 0.2)
    if _can_answer(row) and ceiling(row) >= 0.9 and tally.answered < least:
        broken.append(f"{row.name}: answers in {tally.answered:.0%}")
    return broken


HEADING = """\
{experiments} experiments a row. Coverage of 95 % intervals: 93 to 98 % is promised where the order
separates drift from setup (above: conservative, marked c). False words at a true gain of just the
smallest one. Answered: "worth it" at four standard errors more, and what a t-test allows."""


def main() -> int:
    """Print the table; 1 where a promise does not hold."""
    experiments = int(sys.argv[1]) if len(sys.argv) > 1 else EXPERIMENTS
    broken: list[str] = []
    print(HEADING.format(experiments=experiments))
    heads = ("speed", "current", "power", "ratio", "effic.", "false+", "false-", "answered")
    print(f"{'':22}" + "".join(f"{head:>10}" for head in heads))
    with ProcessPoolExecutor() as several:
        for row, tally in zip(ROWS, several.map(run, ROWS, [experiments] * len(ROWS)), strict=True):
            shares = [tally.share(name) for name in JUDGED]
            cells = ["-" if math.isnan(s) else f"{s:.1%}{'c' if s > 0.98 else ' '}" for s in shares]
            cells += [f"{tally.rate(WORTH):.1%}", f"{tally.rate(NOT_WORTH):.1%}"]
            cells.append(f"{tally.answered:.0%}/{ceiling(row):.0%}" if row.fair else "-")
            print(f"{row.name:22}" + "".join(f"{cell:>10}" for cell in cells), flush=True)
            broken += promises(row, tally, experiments)
    print("\n".join(f"DOES NOT HOLD: {text}" for text in broken) or "all hold")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
