"""`python -m tests.good_runs --runs 1000 --jobs 2`: good runs, in which no reading may be doubted.

Each run has a stand, a board, a drive, a supply and throttle steps drawn from its seed, and no
fault. What a limit says is no false alarm: full throttle may well pass one. `--fault NAME` lets a
fault of the wiring in, and prints when it was first spoken of, in s from the first throttle on.
"""

from __future__ import annotations

import argparse
import dataclasses
import random
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from rig.recorder.messages import Plan
from rig.recorder.session import Session
from rig.recorder.states import State
from rig.simulator.board import Board
from rig.simulator.day import plant_for
from rig.simulator.drive import Drive
from rig.simulator.examples import EXAMPLES, text_of
from rig.simulator.faults import parse_fault
from rig.simulator.motor_file import parse_drive
from rig.simulator.parts import Pack
from rig.simulator.settings import Settings
from rig.stand.model import Stand
from rig.stand.settings import demo_stand, parse_stand
from rig.stand.watches import Alarm

STANDS = ("marram", *EXAMPLES)
LIMITS = ("over", "under", "inverse-time", "cell under-voltage", "longest run")
"""Causes of alarms that doubt no reading."""

LINE_HZ = (50, 100, 200, 500)
LONGEST_S = 60.0
LATE_HAND_S = 0.7
"""So late after the start a hand is at the throttle."""


def stand_and_drive(name: str) -> tuple[Stand, Drive]:
    """One of `STANDS`."""
    if name == "marram":
        return demo_stand(), Drive()
    stand = parse_stand(text_of(name, "stand.toml"), name)
    return stand, parse_drive(text_of(name, "motor.toml"), name)


@dataclass(slots=True)
class Run:
    """One run, drawn from its seed, and what came of it."""

    seed: int
    stand: str
    abilities: str
    line_hz: int
    throttle: list[tuple[float, float]]
    soak_s: float
    outcome: str = ""
    driven_s: float = 0.0
    """When the throttle was first given, on the samples' clock."""
    alarms: list[Alarm] = field(default_factory=list)

    @property
    def doubts(self) -> list[Alarm]:
        """What no good run may have."""
        past = [a for a in self.alarms if a.cause == "clipped" and a.severity == "trip"]
        return [a for a in self.alarms if a.cause not in LIMITS and a not in past]


def _throttle(chance: random.Random) -> list[tuple[float, float]]:
    """Steps up and down, small and sudden, seldom through 0."""
    kinds = ((3.0, 12.0), (12.0, 40.0), (40.0, 75.0), (75.0, 100.0), (0.0, 0.0))
    steps = []
    for _ in range(chance.randint(1, 4)):
        low, high = chance.choices(kinds, (4, 6, 6, 2, 1))[0]
        hold_s = chance.choice((0.3, 1.0, 2.0, 4.0))
        steps.append((round(chance.uniform(low, high), 1), hold_s))
    if chance.random() < 0.1:
        # A ramp by hand.
        steps = [(float(percent), 0.1) for percent in range(2, 60, 2)] + steps
    return steps if any(percent for percent, _ in steps) else [*steps, (50.0, 1.0)]


def drawn(seed: int, stand: str = "") -> tuple[Run, Settings]:
    """The run of this seed and its board; `stand` asks for one of `STANDS`."""
    chance = random.Random(f"good run {seed}")
    name = chance.choice(STANDS)
    run = Run(
        seed,
        stand or name,
        chance.choices(("STLZ", "SLZ", ""), (8, 1, 1))[0],
        chance.choice(LINE_HZ),
        _throttle(chance),
        chance.choice((0.3, 2.0)),
    )
    given, drive = stand_and_drive(run.stand)
    ramp_s = chance.choice((0.1, drive.controller.ramp_s, 2.0 * drive.controller.ramp_s))
    drive = dataclasses.replace(
        drive, controller=dataclasses.replace(drive.controller, ramp_s=ramp_s)
    )
    cells = drive.supply.cells if isinstance(drive.supply, Pack) else 6
    settings = Settings(
        stand=given,
        drive=drive,
        seed=seed,
        stand_seed=chance.randrange(2**31),
        abilities=run.abilities,
        line_hz=run.line_hz,
        volts=None if chance.random() < 0.3 else cells * chance.uniform(3.75, 4.17),
        noise_counts=chance.choice((None, None, 0.1, 0.4, 1.5)),
    )
    return run, settings


def carried_out(run: Run, settings: Settings) -> Run:
    """The run, from beginning to end."""
    board = Board(plant_for(settings), settings)
    # Longer steps in place of 1 ms: the plant's rule is stable for any, and this is faster.
    board._steps = max(board._steps // 4, 1)
    length_s = sum(hold_s for _, hold_s in run.throttle)
    by_hand = "T" not in run.abilities
    events: list[Alarm] = []
    plan = Plan(
        settings.stand,
        "none",
        Path("none"),
        {},
        seconds=length_s + (LATE_HAND_S if by_hand else 0.0),
        throttle=() if by_hand else tuple(run.throttle),
        soak_s=run.soak_s,
    )
    session = Session(
        plan,
        0.0,
        send=board.receive,
        keep=lambda _: None,
        tell=lambda event: events.append(event.alarm) if event.alarm else None,
    )
    step_s, now_s, started_s = 1.0 / run.line_hz, 0.0, None
    while session.ended is None:
        now_s += step_s
        heard = board.advance(step_s)
        if heard:
            session.on_bytes(heard, now_s)
        session.on_time(now_s)
        if started_s is None and session.state is State.RUNNING:
            started_s = now_s
            run.driven_s = _sample_s(session)
        if by_hand:
            given = _by_hand(run, None if started_s is None else now_s - started_s)
            if session.state is not State.RUNNING:
                given = 0.0
            board.settings = dataclasses.replace(board.settings, throttle=given)
        assert now_s < LONGEST_S + length_s, "the run does not end"
    run.outcome = session.ended.outcome
    run.alarms = events
    return run


def _by_hand(run: Run, since_s: float | None) -> float:
    """What a hand gives, from 0 to 1."""
    end_s = LATE_HAND_S
    for percent, hold_s in run.throttle:
        if since_s is None or since_s < end_s:
            return 0.0
        if since_s < end_s + hold_s:
            return percent / 100.0
        end_s += hold_s
    return run.throttle[-1][0] / 100.0


def _sample_s(session: Session) -> float:
    newest = session.run.readings.newest
    return newest.time_s if newest is not None else 0.0


def good_run(seed: int) -> Run:
    """The good run of this seed."""
    return carried_out(*drawn(seed))


def with_fault(seed: int, fault: str, stand: str = "") -> Run:
    """The same with a fault of the wiring, on a board that drives 70 % at once."""
    run, settings = drawn(seed, stand)
    run.abilities, run.line_hz, run.throttle = "STLZ", 200, [(70.0, 4.0)]
    changes = {"abilities": "STLZ", "line_hz": 200, "faults": (parse_fault(fault),)}
    _, drive = stand_and_drive(run.stand)
    return carried_out(run, dataclasses.replace(settings, drive=drive, **changes))


def main() -> int:
    """Good runs, and what was said of them; 1 when one was doubted."""
    options = argparse.ArgumentParser(prog="python -m tests.good_runs", description=__doc__)
    options.add_argument("--seed", type=int, default=0, help="of the first run")
    options.add_argument("--runs", type=int, default=1000, help="how many runs")
    options.add_argument("--jobs", type=int, default=1, help="processes")
    options.add_argument("--fault", help="let this fault in")
    options.add_argument("--stand", default="", help=f"with --fault: one of {', '.join(STANDS)}")
    chosen = options.parse_args()
    seeds = range(chosen.seed, chosen.seed + chosen.runs)
    if chosen.fault:
        for seed in seeds:
            run = with_fault(seed, chosen.fault, chosen.stand)
            for alarm in run.alarms[:2]:
                after_s = alarm.time_s - run.driven_s
                print(f"{run.stand:16} {after_s:6.2f} s {alarm.severity}: {alarm.text}")
            print(f"{run.stand:16} {run.outcome}")
        return 0
    began_s, false = time.perf_counter(), 0
    outcomes: Counter[str] = Counter()
    with ProcessPoolExecutor(chosen.jobs) as pool:
        for run in pool.map(good_run, seeds, chunksize=5):
            outcomes[run.outcome] += 1
            false += bool(run.doubts)
            for alarm in run.doubts:
                after_s = alarm.time_s - run.driven_s
                print(f"seed {run.seed}: {run.stand} {run.abilities or '-'} {run.throttle}")
                print(f"    {after_s:.2f} s {alarm.severity}: {alarm.text}", flush=True)
    took_s = time.perf_counter() - began_s
    print(f"{outcomes.total()} good runs, {false} with a false alarm, {took_s:.0f} s")
    print(", ".join(f"{outcome} {number}" for outcome, number in outcomes.most_common()))
    return 1 if false else 0


if __name__ == "__main__":
    sys.exit(main())
