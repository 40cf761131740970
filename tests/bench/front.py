"""A front for the bench: it holds a recorder, takes the two actions, and is busy meanwhile.

A process of its own, so that what it does to its interpreter is not in the times that the
bench takes. `python -m tests.bench.front PORT JOURNAL SECONDS busy|idle` prints the
recorder's process number and then each new state, and ends with the run or with its input.
"""

from __future__ import annotations

import dataclasses
import gc
import queue
import sys
import threading
from pathlib import Path

from rig.recorder.handle import Message, Recorder
from rig.recorder.messages import ArmRun, Ended, Plan, Snapshot, StartRun
from rig.stand.settings import demo_stand


def main(port: str, journal: str, seconds: str, load: str) -> None:
    """Run once."""
    stand = demo_stand()
    limits = dataclasses.replace(stand.limits, longest_run_s=None)
    messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
    plan = Plan(
        stand=dataclasses.replace(stand, limits=limits),
        port=port,
        journal=Path(journal),
        beginning={},
        seconds=float(seconds),
        soak_s=0.0,
        automatic=False,
    )
    recorder = Recorder(plan, messages.put)
    print(recorder.process.pid, flush=True)
    if load == "busy":
        threading.Thread(target=_be_busy, daemon=True).start()
    state = ""
    while not isinstance(message := messages.get(), Ended):
        if isinstance(message, Snapshot) and message.state != state:
            state = message.state
            print(state, flush=True)
            if state == "ready":
                recorder.tell(ArmRun())
            elif state == "armed":
                recorder.tell(StartRun())
    print(f"ended: {message.cause}", flush=True)


def _be_busy() -> None:
    """What a screen does to its own process: garbage, collections, time in the interpreter."""
    while True:
        rubbish = [{"i": i} for i in range(20_000)]
        gc.collect()
        del rubbish
        threading.Event().wait(0.02)


if __name__ == "__main__":
    main(*sys.argv[1:])
