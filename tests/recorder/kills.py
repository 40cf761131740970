"""Signals to front, recorder and board at any moment: `python -m tests.recorder.kills --runs 200`.

Each run is a real one on a pty. Afterwards what the capture says is compared with what the
board saw: no run is called done that was not, and the motor is off within the promised time.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd

from rig.captures.capture import read_meta
from rig.captures.convert import convert
from rig.simulator.process import SimulatedBoard

RIG = [sys.executable, "-m", "rig.cli"]
MARRAM = str(Path(__file__).parents[2] / "rig" / "stand" / "marram.toml")
DRIVEN_S = 1.2
OFF_WITHIN_S = 1.0
TARGETS = ("front", "recorder", "board")
SIGNALS = ("SIGKILL", "SIGSTOP", "SIGTERM", "SIGINT", "SIGHUP")


def recorder_of(front: int) -> int | None:
    """The recorder process of a front, if it has one."""
    done = subprocess.run(
        ["ps", "-o", "pid=,args=", "--ppid", str(front)], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    return next((int(r.split()[0]) for r in done.stdout.splitlines() if "rig.recorder" in r), None)


def one(seed: int) -> tuple[str, list[str]]:
    """One run and one signal: what was done and came of it, and what is wrong with that."""
    chance = random.Random(f"kill {seed}")
    target, name = chance.choice(TARGETS), chance.choice(SIGNALS)
    after_s, stopped_s = chance.uniform(-0.6, 2.2), chance.choice((0.3, 0.8, 3.0))
    with tempfile.TemporaryDirectory() as folder:
        truth = Path(folder) / "truth.csv"
        out = Path(folder) / "out"
        with SimulatedBoard([f"--truth={truth}", f"--seed={seed}"]) as board:
            front = subprocess.Popen(
                [*RIG, "run", "--setup", "a", "--throttle", f"50:{DRIVEN_S}", "--soak", "0.1",
                 "--headless", "--json", "--port", board.url, "--stand",
                 MARRAM, "--out", str(out)],
                stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                env=os.environ | {"XDG_STATE_HOME": folder},
            )  # fmt: skip
            wait_for_ready(out, front)
            time.sleep(0.6 + after_s)
            pids = {"front": front.pid, "recorder": recorder_of(front.pid),
                    "board": board.process.pid}  # fmt: skip
            pid = pids[target]
            sent_s = time.monotonic()
            if pid is not None and (target != "front" or front.poll() is None):
                os.kill(pid, getattr(signal, name))
                if name == "SIGSTOP":
                    time.sleep(stopped_s)
                    os.kill(pid, signal.SIGCONT)
            output, errors = front.communicate(timeout=60)
            settle(out, pids["recorder"])
        rows = pd.read_csv(truth, on_bad_lines="skip").dropna()
        outcome = outcome_of(out)
        # A board that stands still writes no truth, and its time is lost.
        frozen_s = stopped_s if (target, name) == ("board", "SIGSTOP") else 0.0
        wrong = judge(
            target, name, sent_s, rows, outcome, front.returncode, output, DRIVEN_S - frozen_s
        )
    what = f"{name} to {target} {after_s:+.2f} s -> {outcome} ({front.returncode})"
    return what, wrong + [f"{errors[-300:]}" for _ in wrong[:1]]


def wait_for_ready(out: Path, front: subprocess.Popen[str]) -> None:
    """Until the journal says that the board was found."""
    ends_s = time.monotonic() + 30.0
    while time.monotonic() < ends_s and front.poll() is None:
        if any(b'"ready"' in path.read_bytes() for path in out.glob("*.journal")):
            return
        time.sleep(0.02)


def settle(out: Path, recorder: int | None) -> None:
    """Until a recorder without a front has come to its end, and its capture is made."""
    ends_s = time.monotonic() + 25.0
    while time.monotonic() < ends_s and recorder is not None:
        try:
            os.kill(recorder, 0)
        except ProcessLookupError:
            break
        time.sleep(0.05)
    time.sleep(0.1)
    ends_s = time.monotonic() + 5.0
    while time.monotonic() < ends_s and not list(out.glob("*.parquet")):
        time.sleep(0.1)


def outcome_of(out: Path) -> str:
    """What the capture says, or what a salvaged journal would."""
    for path in sorted(out.glob("*.parquet")):
        return str(read_meta(path).outcome)
    for path in sorted(out.glob("*.journal")):
        return str(read_meta(convert(path)).outcome)
    return "nothing kept"


def judge(
    target: str,
    name: str,
    sent_s: float,
    rows: pd.DataFrame,
    outcome: str,
    code: int,
    output: str,
    least_s: float,
) -> list[str]:
    """What is wrong, in sentences."""
    wrong = []
    driven = rows[rows["driven"] == 1]
    driven_s = float(driven["host_s"].max() - driven["host_s"].min()) if len(driven) else 0.0
    said = json.loads(output)["outcome"] if output.startswith("{") else outcome
    if "done" in (outcome, said) and driven_s < least_s - 0.06:
        wrong.append(f"done, but driven for {driven_s:.2f} s")
    if code == 0 and outcome != "done":
        wrong.append(f"exit code 0 and {outcome}")
    if outcome == "nothing kept":
        wrong.append("nothing kept")
    after = driven[driven["host_s"] > sent_s + OFF_WITHIN_S]
    before = driven[driven["host_s"] <= sent_s]
    if target != "board" and len(before) and len(after):
        left_s = DRIVEN_S - float(before["host_s"].max() - before["host_s"].min())
        ordinary = name == "SIGSTOP" and float(after["host_s"].max()) <= sent_s + left_s + 0.3
        if not ordinary:
            wrong.append(f"driven until {after['host_s'].max() - sent_s:.2f} s after it")
    return wrong


def main() -> int:
    """A table; 1 when anything is wrong."""
    options = argparse.ArgumentParser(prog="python -m tests.recorder.kills", description=__doc__)
    options.add_argument("--runs", type=int, default=200)
    options.add_argument("--seed", type=int, default=0)
    options.add_argument("--jobs", type=int, default=3)
    chosen = options.parse_args()
    failures, kinds = 0, Counter[str]()
    with ThreadPoolExecutor(chosen.jobs) as pool:
        seeds = range(chosen.seed, chosen.seed + chosen.runs)
        for seed, (what, wrong) in zip(seeds, pool.map(one, seeds), strict=True):
            failures += bool(wrong)
            kinds[what.split(" -> ")[1]] += 1
            print(f"{seed:4} {what}{'  WRONG: ' if wrong else ''}{'; '.join(wrong)}", flush=True)
    print(f"{chosen.runs} runs, {failures} wrong; "
          + ", ".join(f"{kind} {number}" for kind, number in kinds.most_common()))  # fmt: skip
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
