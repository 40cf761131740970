"""One run of a stand that is wired wrong, in a clock of its own, and what became of it.

Noticed is whatever the recorder says that it does not say of the same stand wired right. A
tachometer that counts half or double reads as another motor's until speed and throttle are steady:
`rig check --turn`, carried out on the same stand, finds it before anything is armed. What no
reading can show is said to be so, with the reason.
"""

from __future__ import annotations

import io
import os
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest import mock

from rig import virtual
from rig.headless import Printer
from rig.proving.tester import Answers, Simulated
from rig.proving.turn import _Check
from rig.recorder.messages import ArmRun, Ended, Event, Plan, Snapshot, StartRun, StopRun
from rig.recorder.recording import Recording
from rig.recorder.states import State
from rig.simulator.board import Board
from rig.simulator.day import plant_for
from rig.simulator.faults import parse_fault
from rig.simulator.settings import Settings
from rig.simulator.truth import Truth
from rig.stop_proof import SIMULATED
from rig.virtual import VirtualStand
from tests.wiring.stands import stand_and_drive

FRONTS = ("headless", "screen")
THROTTLE_PCT = 70.0
HOLD_S = 3.0
WARMING_S = 60.0
"""So long a motor is driven where only a temperature can show the fault."""

WARMING = frozenset({"motor-stuck", "motor-slow", "motor-swapped"})
LOOKS_S = 1.0
"""So long an operator looks at the screen before each key, and at a refusal before leaving."""

LONGEST_S = 100.0

BLINDING = frozenset(
    {
        *("shunt-reversed", "shunt-open", "divider-open-top", "divider-open-bottom"),
        *("tachometer-dead", "tachometer-half", "motor-open", "motor-shorted"),
    }
)
"""Faults with which a limit on a quick quantity, or a thermistor, sees nothing any more."""

STOPPED_WITHIN_MS = 500.0

COUNTED_BY_HAND = frozenset({"tachometer-half", "tachometer-double"})
"""What the first part of `rig check --turn` is there to find."""

CANNOT_BE_SEEN = {
    "motor-slow": "a sensor that sits loose and follows late gives the curve of a heavier motor",
    "motor-swapped": "two sensors of one kind read alike at rest, and which of two places warms "
    "first depends on masses that nobody knows; warm one with a finger before the first run",
}
"""By fault: why no reading shows it. Only where the recorder is silent."""


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one run. Times count from when the motor is first driven."""

    stand: str
    fault: str
    front: str
    said: str
    """The first that was said of it; empty for silence."""
    noticed_ms: float | None
    """None for before driving."""
    driven_ms: float
    """How long the motor was driven."""
    happened: str
    """`refused`, `stopped`, `warned`, `silent` or `cannot be seen`."""
    by_hand: str = ""
    """What `rig check --turn` says of it before anything is armed."""

    @property
    def complaint(self) -> str:
        """What is wrong with this row; empty where nothing is."""
        if self.happened == "silent":
            return "silent"
        if self.fault.partition("=")[0] not in BLINDING or self.happened == "refused":
            return ""
        if self.happened != "stopped":
            return "blinds a limit, and goes on"
        if self.driven_ms > STOPPED_WITHIN_MS and not self.by_hand:
            return f"blinds a limit, and is driven for {self.driven_ms:.0f} ms"
        return ""


class _Witness(VirtualStand):
    """Sees what is said and what is driven; and is the operator in front of a screen."""

    def __init__(self, board: Board, *, operator: bool) -> None:
        super().__init__(board, Printer(io.StringIO(), False, lambda _: None))
        self.said: list[tuple[float, Event]] = []
        self.driven_s: list[float] = []
        self._operator = operator
        self._state, self._since_s = "", 0.0
        self._armed_once = False
        board.on_line = self._see

    def _see(self, truth: Truth) -> None:
        if truth.driven:
            self.driven_s[1:] = [truth.time_s]

    def tell(self, message: Event | Ended) -> None:
        if isinstance(message, Event):
            self.said.append((self.now_s, message))

    def show(self, snapshot: Snapshot) -> None:
        if snapshot.state != self._state:
            self._state, self._since_s = snapshot.state, self.now_s
        if self.now_s > LONGEST_S:
            self.waiting.append(StopRun())
        if not self._operator or self.now_s - self._since_s < LOOKS_S:
            return
        self._since_s = self.now_s
        if self._state == State.READY:
            self.waiting.append(StopRun() if self._armed_once else ArmRun())
            self._armed_once = True
        elif self._state == State.ARMED:
            self.waiting.append(StartRun())


class _Paper:
    """A journal that keeps nothing."""

    error = None
    moved = ""
    path = Path("wiring.journal")

    def append(self, data: bytes) -> None:
        """Let it go."""


def _run(
    stand_name: str, fault: str, front: str, hold_s: float, seed: int
) -> tuple[_Witness, Ended]:
    stand, drive = stand_and_drive(stand_name)
    faults = (parse_fault(fault),) if fault else ()
    settings = Settings(stand=stand, drive=drive, faults=faults, seed=seed, stand_seed=seed)
    world = _Witness(Board(plant_for(settings), settings), operator=front == "screen")
    automatic, steps = front == "headless", ((THROTTLE_PCT, hold_s),)
    plan = Plan(stand, "none", _Paper.path, {}, throttle=steps, soak_s=0.0, automatic=automatic)
    ended = Recording(
        plan,
        world,
        clock=lambda: world.now_s,
        utc=lambda: "2026-01-01T00:00:00+00:00",
        pause=world.pause,
        open_port=world.open,
        parent=world,
        voice=world,
        journal=_Paper(),
    ).run()
    return world, ended


def _form(text: str) -> str:
    """A sentence without its numbers."""
    return re.sub(r"[-+]?[0-9][0-9.,]*", "#", text)


@cache
def words_when_right(stand_name: str, front: str, hold_s: float, seed: int) -> frozenset[str]:
    """What is said of the stand wired right. Raises AssertionError where that is an alarm, or the
    run is not done."""
    world, ended = _run(stand_name, "", front, hold_s, seed)
    assert ended.exit_code == 0, f"{stand_name}, {front}: {ended.cause}"
    false = [event.text for _, event in world.said if event.alarm or event.loud]
    assert not false, f"{stand_name}, {front}: {false}"
    return frozenset(_form(event.text) for _, event in world.said)


@cache
def counted_by_hand(stand_name: str, fault: str, seed: int = 1) -> str:
    """What the first part of `rig check --turn` finds wrong; empty where it finds nothing."""
    stand, drive = stand_and_drive(stand_name)
    settings = Settings(
        stand=stand, drive=drive, faults=(parse_fault(fault),), seed=seed, stand_seed=seed
    )
    board, out = Board(plant_for(settings), settings), io.StringIO()
    check = _Check(
        stand,
        SIMULATED,
        lambda plan, printer_for: virtual.carry_out(plan, board, printer_for),
        Simulated(Answers(), out, board.happen),
        out,
    )
    with TemporaryDirectory() as folder, mock.patch.dict(os.environ, XDG_STATE_HOME=folder):
        check.by_hand()
    return " ".join(found.words for found in check.result.findings if found.good is False)


def trial(stand_name: str, fault: str, front: str, seed: int = 1) -> Row:
    """One row of the table. Raises SettingsError for what the stand cannot have."""
    hold_s = WARMING_S if fault.partition("=")[0] in WARMING else HOLD_S
    usual = words_when_right(stand_name, front, hold_s, seed)
    world, ended = _run(stand_name, fault, front, hold_s, seed)
    unusual = [(when, e.text) for when, e in world.said if _form(e.text) not in usual]
    driven = world.driven_s
    driven_ms = 1000.0 * (driven[-1] - driven[0]) if driven else 0.0
    noticed_ms = None
    if unusual and driven and unusual[0][0] > driven[0]:
        noticed_ms = 1000.0 * (unusual[0][0] - driven[0])
    if not driven:
        happened = "refused"
    elif ended.exit_code:
        happened = "stopped"
    else:
        happened = "warned" if unusual else "silent"
    name = fault.partition("=")[0]
    by_hand = counted_by_hand(stand_name, fault, seed) if name in COUNTED_BY_HAND else ""
    if happened == "silent" and name in CANNOT_BE_SEEN:
        why = CANNOT_BE_SEEN[name]
        return Row(stand_name, fault, front, why, None, driven_ms, "cannot be seen")
    said = unusual[0][1] if unusual else ended.cause if ended.exit_code else ""
    return Row(stand_name, fault, front, said, noticed_ms, driven_ms, happened, by_hand)
