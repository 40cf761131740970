"""What goes wrong in one storm, all of it drawn from the seed."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from rig.recorder.messages import (
    Acknowledge,
    ArmRun,
    Mark,
    Order,
    SetThrottle,
    StartRun,
    StopRun,
    TakeZero,
)

TO_BOARD, TO_HOST = "to the board", "to the host"


@dataclass(frozen=True, slots=True)
class Trouble:
    """One direction of the line, for a while. `rate` is a share of the pieces, or seconds."""

    direction: str
    kind: str
    """lose, flip, repeat, delay or dead."""
    from_s: float
    to_s: float
    rate: float


@dataclass(slots=True)
class Weather:
    """A storm. Times are seconds since its beginning."""

    seed: int
    abilities: str = "STLZ"
    automatic: bool = True
    run_s: float = 1.0
    seconds_at_rest: float = 0.3
    """After the stop, an operator ends the recording when the run has coasted for so long."""
    faults: list[str] = field(default_factory=list)
    line: list[Trouble] = field(default_factory=list)
    stalls: list[tuple[float, float]] = field(default_factory=list)
    orders: list[tuple[float, Order]] = field(default_factory=list)
    reset_s: float | None = None
    button_s: float | None = None
    forged_s: float | None = None
    disk_fails_s: float | None = None
    disk_hangs: tuple[float, float] | None = None
    front_dies_s: float | None = None
    front_stands: tuple[float, float] | None = None
    port_gone: tuple[float, float] | None = None
    """When it goes, and when it is there again."""

    @property
    def calm(self) -> bool:
        """Whether nothing is drawn that could end the run before its time."""
        lasting = (self.faults, self.line, self.stalls, self.orders, self.front_stands)
        moments = {self.reset_s, self.button_s, self.disk_fails_s, self.front_dies_s}
        return not any(lasting) and moments == {None} and self.port_gone is None


WIRING = ("motor-open", "motor-shorted", "clip-current", "motor-stuck", "double-mark=0.05",
          "missing-mark=0.05", "overcurrent", "overcurrent=120", "overvolt", "undervolt",
          "overspeed", "overheat=140")  # fmt: skip
BOARD = ("corrupt=0.05", "cut-lines=0.05", "drop=0.05", "drop=0.5", "duplicate=0.1",
         "reorder=0.05", "garbage", "silent", "no-answers", "refuses-arm", "deaf-stop",
         "drive-stuck", "ignores-stop")  # fmt: skip

LATEST_S = 2.6
"""A run that nothing disturbs has begun and ended by then."""


def weather(seed: int) -> Weather:
    """The storm of this seed."""
    chance = random.Random(f"storm {seed}")
    abilities = chance.choices(("STLZ", "STZ", "SLZ", ""), (60, 25, 10, 5))[0]
    storm = Weather(seed, abilities, run_s=chance.uniform(0.4, 1.2))
    storm.seconds_at_rest = chance.choice((0.1, 0.3, 1.0))
    for _ in range(chance.choices((0, 1, 2, 3), (6, 40, 34, 20))[0]):
        _TROUBLES[chance.choices(range(len(_TROUBLES)), _WEIGHTS)[0]](storm, chance)
    if chance.random() < 0.15:
        storm.automatic = False
        storm.orders += [(0.7, ArmRun()), (1.0, StartRun())]
    if chance.random() < 0.3:
        # Most in the half second in which a run is ready; some when it is too late.
        storm.orders.append((round(chance.uniform(0.2, 0.8), 3), TakeZero()))
    return storm


def _moment(chance: random.Random) -> float:
    return round(chance.uniform(0.0, LATEST_S), 3)


def _wiring(storm: Weather, chance: random.Random) -> None:
    when = chance.choice(("", f"@{chance.uniform(0.05, 0.8):.2f}"))
    name, _, value = chance.choice(WIRING).partition("=")
    storm.faults.append(f"{name}{when}" + (f"={value}" if value else ""))


def _board(storm: Weather, chance: random.Random) -> None:
    when = chance.choice(("", f"@{chance.uniform(0.05, 0.8):.2f}"))
    name, _, value = chance.choice(BOARD).partition("=")
    storm.faults.append(f"{name}{when}" + (f"={value}" if value else ""))


def _line(storm: Weather, chance: random.Random) -> None:
    from_s = _moment(chance)
    kind = chance.choice(("lose", "lose", "flip", "repeat", "delay", "dead"))
    rate = chance.uniform(0.01, 0.25) if kind == "delay" else chance.choice((0.05, 0.3, 1.0))
    to_s = from_s + chance.choice((0.1, 0.4, 1.0, 5.0))
    direction = chance.choice((TO_BOARD, TO_HOST))
    storm.line.append(Trouble(direction, kind, from_s, round(to_s, 3), round(rate, 3)))


def _stall(storm: Weather, chance: random.Random) -> None:
    storm.stalls.append((_moment(chance), chance.choice((0.05, 0.2, 0.45, 0.6, 1.0, 3.0))))
    storm.stalls.sort()


def _key(storm: Weather, chance: random.Random) -> None:
    order: Order = chance.choice(
        (StopRun(), StopRun(), StopRun(), SetThrottle(20.0), Acknowledge(), Mark("gust"),
         ArmRun(), StartRun())
    )  # fmt: skip
    times = chance.choice((1, 1, 5))
    first_s, every_s = _moment(chance), chance.uniform(0.05, 0.4)
    storm.orders += [(first_s + every_s * number, order) for number in range(times)]


def _reset(storm: Weather, chance: random.Random) -> None:
    storm.reset_s = _moment(chance)


def _button(storm: Weather, chance: random.Random) -> None:
    storm.button_s = _moment(chance)


def _forged(storm: Weather, chance: random.Random) -> None:
    storm.forged_s = _moment(chance)


def _disk_fails(storm: Weather, chance: random.Random) -> None:
    storm.disk_fails_s = _moment(chance)


def _disk_hangs(storm: Weather, chance: random.Random) -> None:
    storm.disk_hangs = (_moment(chance), chance.choice((0.3, 2.0)))


def _front_dies(storm: Weather, chance: random.Random) -> None:
    storm.front_dies_s = _moment(chance)


def _front_stands(storm: Weather, chance: random.Random) -> None:
    storm.front_stands = (_moment(chance), chance.choice((0.3, 2.0)))


def _port_gone(storm: Weather, chance: random.Random) -> None:
    gone_s = _moment(chance)
    storm.port_gone = (gone_s, gone_s + chance.choice((0.2, 1.0, 3.0, 99.0)))


_TROUBLES = (_wiring, _board, _line, _stall, _key, _reset, _button, _forged, _disk_fails,
             _disk_hangs, _front_dies, _front_stands, _port_gone)  # fmt: skip
_WEIGHTS = (14, 14, 20, 12, 14, 4, 4, 3, 3, 3, 3, 3, 4)
