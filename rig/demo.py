"""The whole job on the simulated stand of Marram, a survey drone with a pusher propeller.

Two timings of the controller, three runs each, one run into a limit set too low on purpose,
and the comparison. `python -m rig.demo DIR` makes the captures of sample_captures/.
"""

from __future__ import annotations

import dataclasses
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig import bench, review
from rig.analysis.answers import Comparisons
from rig.errors import DONE, RigError
from rig.headless import Outcome
from rig.plans import default_folder, plan_run
from rig.recorder.handle import Recorder
from rig.report.data import as_data
from rig.report.sections import comparison_blocks
from rig.report.terminal import print_blocks
from rig.simulator.process import SimulatedBoard
from rig.stand.model import Level, Stand
from rig.stand.settings import demo_stand
from rig.text import plain
from rig.vocabulary import RunOutcome

TIMINGS_DEG = {"early": 20.0, "late": 5.0}
RUNS = 3
SAMPLE_RUNS = 5
THROTTLE = ("70:3",)
TOO_LOW_A = 15.0
"""A trip level that the demo's motor passes on its way up, to show what a trip is like."""


@dataclass(frozen=True, slots=True)
class Demo:
    """What the demo leaves behind."""

    folder: Path
    comparisons: Comparisons
    tripped: Outcome

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "folder": str(self.folder),
            "tripped": self.tripped.as_dict(),
            "comparison": as_data(self.comparisons),
        }

    def print(self) -> None:
        """The answer, and where everything lies."""
        print_blocks(comparison_blocks(self.comparisons))
        print(plain(f"The deliberate trip: {self.tripped.cause}"))
        print(plain(f"Captures: {self.folder}"))


def demo(out: Path | None = None, *, fast: bool = False) -> Demo:
    """Run it all. Raises RigError when a run does not end as it should."""
    folder = out or default_folder() / f"demo {datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    seed = 0
    for number in range(RUNS):
        for setup, timing_deg in TIMINGS_DEG.items():
            seed += 1
            _say(f"{setup}, run {number + 1} of {RUNS}: {timing_deg:g} degrees of timing")
            wanted = request(folder, setup, timing_deg, seed=seed)
            outcome = bench.run_once(dataclasses.replace(wanted, fast=fast))
            if outcome.exit_code != DONE:
                raise _unexpected(outcome)
    _say(f"trip: the over-current limit is set to {TOO_LOW_A:g} A on purpose")
    wanted = request(folder, "trip", TIMINGS_DEG["early"], seed=0)
    tripped = bench.run_once(dataclasses.replace(wanted, fast=fast), stand=cautious(demo_stand()))
    if tripped.outcome != RunOutcome.TRIPPED:
        raise _unexpected(tripped)
    return Demo(folder, review.compare([folder], "late"), tripped)


def request(folder: Path, setup: str, timing_deg: float, *, seed: int) -> bench.Request:
    """One run of the demo."""
    return bench.Request(
        setup=setup,
        simulated=True,
        throttle=THROTTLE,
        soak_s=0.3,
        folder=folder,
        timing_deg=timing_deg,
        seed=seed,
        notes="simulated demonstration",
    )


def cautious(stand: Stand) -> Stand:
    """`stand` with the over-current trip far below what the motor draws."""
    levels = dict(stand.limits.levels)
    levels["current"] = Level(warn_over=0.8 * TOO_LOW_A, trip_over=TOO_LOW_A, hold_s=0.02)
    limits = dataclasses.replace(stand.limits, levels=tuple(levels.items()), overcurrent=None)
    return dataclasses.replace(stand, limits=limits)


def _say(text: str) -> None:
    print(f"--- {text}", file=sys.stderr, flush=True)


def _unexpected(outcome: Outcome) -> RigError:
    error = RigError(f"the demo's run ended as {outcome.outcome!r}: {outcome.cause}")
    error.exit_code = outcome.exit_code or error.exit_code
    return error


def make_samples(folder: Path) -> None:
    """The captures of sample_captures/: five runs each, one trip, one journal cut off."""
    for seed in range(1, 2 * SAMPLE_RUNS + 1):
        setup = ("early", "late")[(seed - 1) % 2]
        outcome = bench.run_once(request(folder, setup, TIMINGS_DEG[setup], seed=seed))
        if outcome.exit_code != DONE:
            raise _unexpected(outcome)
    trip = request(folder, "trip", TIMINGS_DEG["early"], seed=0)
    bench.run_once(trip, stand=cautious(demo_stand()))
    _cut_off(request(folder, "cut off", TIMINGS_DEG["late"], seed=99), folder)


def _cut_off(wanted: bench.Request, folder: Path) -> None:
    """Record a run, and leave its journal as a crash in mid-line would have."""
    with SimulatedBoard(bench.board_options(wanted)) as board:
        plan = plan_run(
            demo_stand(),
            board.url,
            folder=folder,
            setup=wanted.setup or "demo",
            seconds=None,
            throttle=wanted.throttle,
            soak_s=wanted.soak_s,
            notes=wanted.notes,
        )
        recorder = Recorder(plan, lambda _: None)
        recorder.wait()
    lines = plan.journal.read_bytes()
    plan.journal.write_bytes(lines[: 2 * len(lines) // 3])


if __name__ == "__main__":
    make_samples(Path(sys.argv[1]))
