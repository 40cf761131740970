"""`python -m tests.hostile --lines N --seed S`: hostile lines, whole sessions of them.

A board that has gone mad, or a wire that has: random bytes, valid lines cut, flipped and
repeated, numbers at the edges, lines far too long, the host's own remarks, zero bytes, and good
lines between them, so that sessions come to every state. All of it goes in chunks of random
sizes through sessions, one after the other, and through `decode_bulk`. Nothing may raise, the
bulk decoder must count what the plain one counts, no board may speak for the host in the
journal, and memory must not grow. Prints lines per second and memory.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import resource
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from rig.protocol.decoder import Decoder, decode_bulk
from rig.protocol.framing import frame
from rig.protocol.records import Answer, Channel, Cut, Data, Hello, Remark
from rig.recorder.messages import Acknowledge, Mark, Order, Plan, SetThrottle, StopRun
from rig.recorder.session import Session
from rig.stand.settings import demo_stand
from tests.bench.scripted import CALM, CONVERSIONS, FULL_SCALE, LABELS

LINE_S = 0.001
"""The host's time from line to line."""

WARM_UP_SHARE = 0.25
MOST_GROWTH_MIB = 8.0
TICKS_PER_LINE = 1000
EDGES = (
    "0", "-0", "-1", "1", "00", "65535", "65536", "4294967295", "4294967296", "2147483647",
    "2147483648", "-2147483648", "-2147483649", "9" * 30, "1e9", "nan", "+1", " 1", "", "0x1",
)  # fmt: skip
ORDERS: tuple[Order, ...] = (StopRun(), Acknowledge(), Mark("gust"), SetThrottle(30.0))
CAUSES = ("stop", "limit", "heartbeat", "watchdog", "button", "none known")


@dataclass(slots=True)
class Board:
    """What it says: good lines that go on, and hostile ones. `owed` are answers to commands."""

    rng: random.Random
    boot: int = 1
    abilities: str = "STL"
    wild: float = 0.5
    """The share of well-formed lines that say what they should not, among the hostile ones."""
    sequence: int = 0
    edges: int = 0
    armed: bool = False
    owed: list[bytes] = field(default_factory=list)

    def hear(self, data: bytes) -> None:
        """Obey, and owe an answer to each command."""
        for line in data.split(b"\n"):
            body = line.rpartition(b"*")[0].decode("ascii", "replace").split(",")
            if len(body) > 1 and body[1].isdecimal():
                self.armed = {"arm": True, "stop": False}.get(body[0], self.armed)
                self.owed.append(frame(Answer(int(body[1])).body()))
            elif line == b"stop":
                self.armed = False

    def introduction(self) -> bytes:
        """Hello and channel lines."""
        able = frozenset(self.abilities)
        hello = Hello(1, "mad", "1", self.boot, 1_000_000, 1000, able, len(LABELS))
        channels = [
            Channel(index, quantity, label, FULL_SCALE, CONVERSIONS, able & {"L"}, 0)
            for index, (quantity, label) in enumerate(LABELS)
        ]
        return b"".join(frame(record.body()) for record in (hello, *channels))

    def good(self) -> bytes:
        """The next data line, or an answer that is owed."""
        if self.owed:
            return self.owed.pop(0)
        self.sequence += 1
        tick = self.sequence * TICKS_PER_LINE
        self.edges += self.armed and self.sequence % 9 == 0
        counts = (8000 if self.armed else 80, *CALM[1:])
        status = 1 if self.armed else 2
        line = Data(
            self.sequence % 2**16, tick % 2**32, self.edges % 2**16, tick % 2**32, status,
            tuple(count + self.rng.randrange(-20, 20) for count in counts),
        )  # fmt: skip
        return frame(line.body())

    def valid(self) -> bytes:
        """A well-formed line of any type that says what it should not."""
        rng = self.rng
        record: Data | Answer | Cut | Hello | Channel
        match rng.randrange(7):
            case 0:
                record = Cut(rng.randrange(2**32), rng.choice(CAUSES), rng.choice("-e0123456789"))
            case 1:
                record = Answer(rng.randrange(2**16), rng.choice(("", "state", "range")))
            case 2:
                boot = rng.choice((self.boot, rng.randrange(2**16)))
                record = Hello(rng.choice((1, 1, 2)), "mad", "1", boot, 1_000_000, 1000,
                               frozenset(self.abilities), rng.randrange(17))  # fmt: skip
            case 3:
                record = Channel(rng.randrange(16), "x", rng.choice(LABELS)[1], 1024, 16,
                                 frozenset("LZ"), rng.randrange(-(2**31), 2**30))  # fmt: skip
            case 4:
                return frame(f"Z,{rng.random()}")
            case _:
                sequence = rng.choice((self.sequence, rng.randrange(2**16))) % 2**16
                bits = [rng.randrange(2**32), rng.randrange(2**16), rng.randrange(2**32)]
                counts = tuple(rng.randrange(-(2**31), 2**31) for _ in range(rng.randrange(17)))
                record = Data(sequence, *bits, rng.randrange(2**16), counts)
        return frame(record.body())

    def any(self) -> bytes:
        """A line of this board's, good or only well-formed."""
        return self.valid() if self.rng.random() < self.wild else self.good()

    def hostile(self) -> bytes:
        """One hostile line, mostly with its line feed."""
        return self.rng.choice(HOSTILE)(self)


def noise(board: Board) -> bytes:
    return board.rng.randbytes(board.rng.randrange(140)) + b"\n"


def cut(board: Board) -> bytes:
    line = board.any()
    return line[: board.rng.randrange(len(line))] + board.rng.choice((b"", b"\n", b"\r\n"))


def flipped(board: Board) -> bytes:
    line = bytearray(board.any())
    line[board.rng.randrange(len(line))] ^= 1 << board.rng.randrange(8)
    return bytes(line)


def repeated(board: Board) -> bytes:
    return board.any() * 2


def at_the_edges(board: Board) -> bytes:
    """A good checksum, and numbers where no others may be."""
    fields = board.any().rpartition(b"*")[0].decode("ascii").split(",")
    fields[board.rng.randrange(len(fields))] = board.rng.choice(EDGES)
    return frame(",".join(fields))


def too_long(board: Board) -> bytes:
    length = board.rng.choice((119, 121, 2_040, 70_000))
    end = board.rng.choice((b"", b"\n"))
    return board.rng.choice((b"D,", b"!", b"", b"\xff")) + length * b"1" + end


def remark(board: Board) -> bytes:
    """A line of the host's own, from a board."""
    content = board.rng.choice(({}, {"outcome": "done"}, {"state": "running"}, {"a": [[[]]]}))
    return frame(Remark("hostile", board.rng.choice((0.0, -1.0, 1e300)), content).body())


def nested(board: Board) -> bytes:
    depth = board.rng.choice((10, 500, 5_000))
    return frame('!hostile,0.0,{"a":' + depth * "[" + depth * "]" + "}")


def zeros(board: Board) -> bytes:
    return bytes(board.rng.randrange(200)) + board.rng.choice((b"", b"\n"))


def told(board: Board) -> bytes:
    """What only a host says."""
    return board.rng.choice((b"stop\n", frame("arm,1,7"), frame("throttle,2,500"), b"\n"))


HOSTILE: tuple[Callable[[Board], bytes], ...] = (
    noise, cut, cut, flipped, flipped, flipped, repeated, at_the_edges, at_the_edges, at_the_edges,
    remark, zeros, told,
)  # fmt: skip
RARE: tuple[Callable[[Board], bytes], ...] = (too_long, nested)


@dataclass(slots=True)
class Found:
    """What came of it."""

    lines: int = 0
    sessions: int = 0
    kept_bytes: int = 0
    rejected: int = 0
    states: Counter[str] = field(default_factory=Counter)
    grown_mib: float = 0.0
    peak_mib: float = 0.0


def stream(rng: random.Random, board: Board) -> Iterator[tuple[bytes, int]]:
    """Chunks without end, each with its number of lines; they end anywhere in a line."""
    waiting, lines = board.introduction(), 1 + len(LABELS)
    # Some sessions meet hardly a hostile line, others hardly a good one.
    share = rng.choice((0.02, 0.2, 0.6, 0.95))
    while True:
        parts = [waiting]
        for _ in range(rng.randrange(1, 60)):
            draw = rng.random()
            if draw < 0.1 * board.wild:
                parts.append(board.valid())
            elif rng.random() < 0.0005:
                parts.append(rng.choice(RARE)(board))
            elif rng.random() < share:
                parts.append(board.hostile())
            else:
                parts.append(board.good())
            lines += 1
        said = b"".join(parts)
        at = rng.randrange(len(said) + 1)
        yield said[:at], lines
        waiting, lines = said[at:], 0


def storm(lines: int, seed: int) -> Found:
    """Send so many lines. AssertionError where a promise is broken."""
    rng = random.Random(seed)
    found = Found()
    live, bulk, journal = Decoder(), Decoder(), Decoder(remarks=True)
    before_mib: float | None = None
    stand = demo_stand()

    def keep(data: bytes) -> None:
        found.kept_bytes += len(data)
        assert not data.startswith(b"!hostile"), data[:80]

    while found.lines < lines:
        board = Board(rng, rng.randrange(2**16), rng.choice(("STL", "STL", "S", "-")))
        board.wild = rng.choice((0.0, 0.0, 0.01, 0.5))
        steps = ((70.0, rng.choice((0.3, 5.0))),)
        plan = Plan(stand, "none", Path("none"), {}, throttle=steps, soak_s=0.2)
        now_s = 0.0
        session = Session(plan, now_s, send=board.hear, keep=keep, tell=lambda _: None)
        found.sessions += 1
        for chunk, count in stream(rng, board):
            found.lines += count
            now_s += count * LINE_S
            session.on_bytes(chunk, now_s)
            session.on_time(now_s)
            found.states[session.state.value] += 1
            if rng.random() < 0.02:
                session.snapshot(now_s)
                session.on_order(rng.choice(ORDERS[1:] if rng.random() < 0.9 else ORDERS), now_s)
            live.feed(chunk)
            for decoder in (bulk, journal):
                for _ in decode_bulk([chunk], decoder):
                    pass
            if session.ended is not None or found.lines >= lines:
                break
        if before_mib is None and found.lines >= WARM_UP_SHARE * lines:
            before_mib = resident_mib()
    assert live.counts == bulk.counts
    found.rejected = live.counts.rejected.total()
    found.grown_mib = resident_mib() - (before_mib or 0.0)
    found.peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    assert found.grown_mib < MOST_GROWTH_MIB, f"memory grew by {found.grown_mib:.1f} MiB"
    return found


def resident_mib() -> float:
    """The memory in use, on Linux; elsewhere the most that ever was."""
    gc.collect()
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def main() -> None:
    """Send them, and print what came of it."""
    options = argparse.ArgumentParser(prog="python -m tests.hostile", description=__doc__)
    options.add_argument("--lines", type=int, default=300_000)
    options.add_argument("--seed", type=int, default=0)
    asked = options.parse_args()
    began_s = time.perf_counter()
    found = storm(asked.lines, asked.seed)
    taken_s = time.perf_counter() - began_s
    states = ", ".join(f"{state} {chunks}" for state, chunks in found.states.items())
    print(f"{found.lines} lines in {found.sessions} sessions, {found.rejected} rejected")
    print(f"chunks in each state: {states}")
    print(f"{found.lines / taken_s:.0f} lines/s; memory grew by {found.grown_mib:.1f} MiB "
          f"after the first quarter, at most {found.peak_mib:.0f} MiB")  # fmt: skip


if __name__ == "__main__":
    main()
