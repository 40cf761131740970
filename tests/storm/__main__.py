"""`python -m tests.storm --seed N --runs 10000`: storms from seed N on, until one breaks a rule.

A seed that breaks one is printed, and comes out the same, byte for byte, when it is given with
`--runs 1 --story`.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

from tests.storm.invariants import broken
from tests.storm.weather import weather
from tests.storm.world import Story, World

AT_ONCE = 25


def storm(seed: int) -> Story:
    """The storm of this seed, from beginning to end."""
    return World(weather(seed)).happen()


def judged(seed: int) -> tuple[int, list[str], str, float, float]:
    """The seed, what it breaks, its outcome, how long it was, and what it took of a processor."""
    began_s = time.process_time()
    story = storm(seed)
    breaks = broken(story)
    assert story.ended is not None
    return seed, breaks, story.ended.outcome, story.ended_s, time.process_time() - began_s


def told(story: Story) -> Iterator[str]:
    """A storm in lines, in the order of time."""
    yield str(story.weather)
    lines = [(time_s, f"state {state.value}") for time_s, state in story.states]
    lines += [(time_s, f"> {data!r}") for time_s, data in story.sent]
    lines += [(time_s, f"! {event.text}") for time_s, event in story.events]
    lines += [(time_s, "stop key") for time_s in story.keys_s]
    for from_s, to_s in story.drive:
        lines += [(from_s, "DRIVE ON"), (to_s, "DRIVE OFF")]
    for time_s, data in story.said:
        for line in data.split(b"\n"):
            if line and not line.startswith(b"D,"):
                lines.append((time_s, f"< {line!r}"))
    lines += [(from_s, f"stall until {to_s:.3f}") for from_s, to_s in story.stalls]
    for time_s, text in sorted(lines, key=lambda pair: pair[0]):
        yield f"{time_s:8.3f} {text}"
    yield f"{story.ended}"


def main() -> int:
    """Storms, and what they came to; 1 when a rule was broken."""
    options = argparse.ArgumentParser(prog="python -m tests.storm", description=__doc__)
    options.add_argument("--seed", type=int, default=0, help="of the first storm")
    options.add_argument("--runs", type=int, default=1000, help="how many storms")
    options.add_argument("--jobs", type=int, default=1, help="processes")
    options.add_argument("--all", action="store_true", help="go on after a broken rule")
    options.add_argument("--story", action="store_true", help="print the first storm")
    chosen = options.parse_args()
    if chosen.story:
        print("\n".join(told(storm(chosen.seed))))
    seeds = range(chosen.seed, chosen.seed + chosen.runs)
    began_s, lasted_s, used_s, failures = time.perf_counter(), 0.0, 0.0, 0
    outcomes: Counter[str] = Counter()
    with ProcessPoolExecutor(chosen.jobs) as pool:
        several = chosen.jobs > 1
        results = pool.map(judged, seeds, chunksize=AT_ONCE) if several else map(judged, seeds)
        for number, (seed, breaks, outcome, ended_s, cpu_s) in enumerate(results, 1):
            used_s += cpu_s
            if number % 1000 == 0:
                print(f"{number} storms, {failures} broken", file=sys.stderr, flush=True)
            outcomes[outcome] += 1
            lasted_s += ended_s
            failures += bool(breaks)
            for how in breaks:
                print(f"seed {seed}: {how}", flush=True)
            if breaks and not chosen.all:
                pool.shutdown(cancel_futures=True)
                break
    took_s = time.perf_counter() - began_s
    count = outcomes.total()
    print(f"{count} storms, {failures} broken, {took_s:.0f} s; on one processor "
          f"{count / used_s:.1f} storms/s, {lasted_s / used_s:.0f} times real time")  # fmt: skip
    print(", ".join(f"{outcome} {number}" for outcome, number in outcomes.most_common()))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
