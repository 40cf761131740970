"""The simulated board: a stand's readings as lines, and the host's commands obeyed.

Sans I/O and without a clock: `advance` lets time pass and gives the bytes that a real board
would have sent, `receive` takes what the host says. All randomness comes from the seeds.
"""

from __future__ import annotations

import dataclasses
import math
import random
from collections.abc import Callable, Sequence

from rig.errors import SettingsError
from rig.protocol import commands
from rig.protocol.framing import LONGEST_LINE, frame
from rig.protocol.framing import Fault as LineFault
from rig.protocol.records import (
    BOOT_BITS,
    EDGE_BITS,
    PROTOCOL_VERSION,
    SEQUENCE_BITS,
    TICK_BITS,
    Answer,
    Cut,
    Data,
    Status,
)
from rig.simulator.built import built
from rig.simulator.day import plant_for
from rig.simulator.faults import FaultClock, parse_fault
from rig.simulator.gate import Gate
from rig.simulator.hello_lines import channel_count, channel_line, introduction
from rig.simulator.inputs import Inputs
from rig.simulator.motion import Motion
from rig.simulator.plant import Plant
from rig.simulator.settings import Settings
from rig.simulator.truth import Truth
from rig.simulator.watch import Watch
from rig.simulator.wire import Transmitter

LONGEST_STEP_S = 0.001
BUTTON_S = 0.5
"""So long a hand holds the stop input open."""

EVENTS = ("turn", "button", "supply off", "supply on")
"""What hands can do at the stand: turn the rotor once, press the stop input, pull the plug."""

INTRODUCE_EVERY_S = 2.0
"""A board that only talks cannot be asked, and introduces itself again and again."""


class Board:
    """A board that looks at `plant`. `seed` goes before the settings' own.

    `on_line` is called with the truth whenever a data line is made.
    """

    def __init__(self, plant: Plant, settings: Settings, seed: int | None = None) -> None:
        self.plant, self.settings = plant, settings
        self.on_line: Callable[[Truth], None] | None = None
        stand = built(settings.stand, None if settings.ideal else settings.stand_seed)
        chance = random.Random(settings.seed if seed is None else seed)
        self._faults = FaultClock(settings.faults, chance)
        self._inputs = Inputs(settings, stand, self._faults, chance)
        self._wire = Transmitter(settings.baud, self._faults, chance)
        self._motion = Motion(
            plant, settings, stand.marks, self._faults, chance, driven=not self._obeys
        )
        self._watch = Watch(settings.tick_hz)
        self._gate = Gate(obeys=self._obeys)
        self._zero = [0] * channel_count(settings)
        self._boot = chance.randrange(2**BOOT_BITS)
        self._owed_s = 0.0
        self._stuck_throttle = 0.0
        self._ticks_per_s = settings.tick_hz * (1.0 + stand.clock)
        self._line_ticks = max(round(settings.tick_hz / settings.line_hz), 1)
        self._steps = math.ceil(self._line_ticks / (LONGEST_STEP_S * settings.tick_hz))
        self._power_up()

    @property
    def truth(self) -> Truth:
        """What is really so now."""
        plant = self.plant
        return Truth(
            time_s=self._motion.now_s,
            tick=self._tick % 2**TICK_BITS,
            current_a=plant.current_a,
            voltage_v=plant.voltage_v,
            speed_rpm=plant.speed_rpm / self.settings.drive.gear.tachometer_ratio,
            motor_degc=plant.case_degc,
            controller_degc=plant.controller_degc,
            pack_degc=plant.pack_degc,
            winding_degc=plant.winding_degc,
            edges=self._motion.tachometer.passed,
            driven=plant.duty > 0.0,
            torque_nm=plant.torque_nm,
            thrust_n=plant.thrust_n,
        )

    @property
    def armed(self) -> bool:
        """Whether the drive may run."""
        return self._gate.armed

    @property
    def _obeys(self) -> bool:
        return "S" in self.settings.abilities

    def _power_up(self) -> None:
        self._sequence, self._tick, edges = self.settings.start
        self._motion.tachometer.reset(edges)
        self._step_number = 0
        self._heard = b""
        self._gate.reset(self._motion.now_s)
        self._zero = [0] * len(self._zero)
        self._newest = self._sums()
        self._watch.reset()
        self._wire.reset()
        self._introduce()

    # What hands do

    def happen(self, event: str) -> None:
        """Let one of `EVENTS` happen. Raises SettingsError for any other."""
        match event:
            case "turn":
                self._motion.turn_by_hand(1)
            case "button":
                if not self._faults.on("dead-input"):
                    self._gate.held_until_s = self._motion.now_s + BUTTON_S
                    self._cut(Status.BUTTON, "button")
            case "supply off" | "supply on":
                self._motion.supply_off = event == "supply off"
            case _:
                what = f"unknown event {event[:20]!r}"
                raise SettingsError(what, to_do=f"Events are: {', '.join(EVENTS)}.")

    # What the host says

    def receive(self, data: bytes) -> None:
        """Bytes from the host, in pieces of any size. Never raises, whatever they are."""
        *lines, rest = (self._heard + data).split(b"\n")
        # Of a line already too long only so much is kept as proves it so when it ends.
        self._heard = rest[: LONGEST_LINE + 2]
        if self._obeys:
            for line in lines:
                if line.strip():
                    self._hear(line)

    def _hear(self, line: bytes) -> None:
        heard = commands.parse_command(line)
        if isinstance(heard, LineFault):
            # Nothing in it can be trusted, its number neither.
            self._gate.status |= Status.REJECTED
            return
        if isinstance(heard, commands.Refusal):
            self._gate.hear(self._motion.now_s)
            self._answer(heard.number, heard.reason)
            return
        number, command = heard
        if number is not None:
            # The bare word has no checksum, and is no sign of a host that lives.
            self._gate.hear(self._motion.now_s)
        if isinstance(command, commands.Stop) and self._faults.on("ignores-stop"):
            return
        reason = self._obey(command)
        if number is not None:
            self._answer(number, reason)

    def _obey(self, command: commands.Command) -> str:
        """Carry out `command`; gives the reason for a refusal, empty when it was done."""
        abilities = self.settings.abilities
        match command:
            case commands.Stop():
                self._gate.stuck |= self._faults.on("deaf-stop")
                self._cut(Status(0), "stop")
            case commands.AskHello():
                self._introduce()
            case commands.Arm(boot):
                return self._arm(boot)
            case commands.Throttle(permille):
                if "T" not in abilities:
                    return "cannot"
                if not self.armed:
                    return "state"
                self._gate.throttle = permille / commands.FULL_THROTTLE
            case commands.Limit():
                if "L" not in abilities:
                    return "cannot"
                if isinstance(command.where, int) and command.where >= len(self._zero):
                    return "range"
                self._watch.hold(command)
            case commands.Zero(channel):
                if channel >= len(self._zero):
                    return "range"
                if "Z" not in channel_line(self.settings, channel, 0).abilities:
                    return "cannot"
                if self.armed:
                    return "state"
                self._zero[channel] += self._newest[channel]
                self._newest[channel] = 0
                line = channel_line(self.settings, channel, self._zero[channel])
                self._wire.say(frame(line.body()))
        return ""

    def _arm(self, boot: int) -> str:
        if boot != self._boot:
            return "boot"
        is_held = self._motion.now_s < self._gate.held_until_s
        if is_held or self._faults.on("refuses-arm"):
            return "state"
        if self._gate.arm():
            self._watch.forget()
        return ""

    def _answer(self, number: int, reason: str) -> None:
        if not self._faults.on("no-answers"):
            self._wire.say(frame(Answer(number, reason).body()))

    def _cut(self, why: Status, cause: str, where: str = "-") -> None:
        """Take the drive away. A report goes out when there was a drive to take."""
        if self._gate.cut(why):
            self._wire.say(frame(Cut(self._tick % 2**TICK_BITS, cause, where).body()))

    # Time passes

    def advance(self, seconds: float) -> bytes:
        """Let time pass; the bytes sent meanwhile.

        Time passes in steps of at most 1 ms, the same however `seconds` are divided; what
        is less than a step is kept for the next call.
        """
        self._owed_s += seconds
        sent = bytearray()
        while True:
            ticks = (
                self._line_ticks * (self._step_number + 1) // self._steps
                - self._line_ticks * self._step_number // self._steps
            )
            dt_s = ticks / self._ticks_per_s
            if self._owed_s < dt_s:
                return bytes(sent)
            self._owed_s -= dt_s
            self._step(dt_s, ticks)
            sent += self._wire.carry(dt_s)

    def _step(self, dt_s: float, ticks: int) -> None:
        throttle = self._gate.throttle if "T" in self.settings.abilities else self.settings.throttle
        driven = self.armed or not self._obeys
        if self._faults.on("drive-stuck"):
            # An output that was off when it broke stays off.
            if self.armed:
                self._stuck_throttle = max(throttle, self._stuck_throttle)
            throttle = max(throttle if driven else 0.0, self._stuck_throttle)
            driven = driven or throttle > 0.0
        self._motion.step(dt_s, self._tick, ticks, driven=driven, throttle=throttle)
        self._tick += ticks
        if self._gate.is_forgotten(self._motion.now_s) and not self._faults.on("no-watch"):
            self._cut(Status.HEARTBEAT, "heartbeat")
        self._step_number += 1
        if self._step_number == self._steps:
            self._step_number = 0
            self._newest = self._sums()
            # The line first: a host sees the reading before the report of what it led to.
            self._say_data()
            self._judge_limits()
            self._motion.disturb()
            if self._faults.once("reset"):
                self._boot = (self._boot + 1) % 2**BOOT_BITS
                self._power_up()

    def _judge_limits(self) -> None:
        if not self.armed or self._faults.on("deaf-limits"):
            return
        where = self._watch.beyond(self._tick, self._newest, self._motion.tachometer)
        if where is not None:
            self._cut(Status.LIMIT, "limit", str(where))

    # What the board says

    def _introduce(self) -> None:
        version = 2 if self._faults.on("protocol-2") else PROTOCOL_VERSION
        lines = introduction(self.settings, self._boot, self._zero, version)
        self._wire.say(b"".join(frame(line.body()) for line in lines))
        self._introduced_s = self._motion.now_s

    def _sums(self) -> list[int]:
        sums = self._inputs.sums(self.plant, self._motion.now_s)
        return [count - zero for count, zero in zip(sums, self._zero, strict=True)]

    def _say_data(self) -> None:
        data = Data(
            sequence=self._sequence % 2**SEQUENCE_BITS,
            tick=self._tick % 2**TICK_BITS,
            edges=self._motion.tachometer.edges % 2**EDGE_BITS,
            edge_tick=self._motion.tachometer.edge_tick % 2**TICK_BITS,
            status=int(self._gate.status),
            counts=tuple(self._newest),
        )
        self._sequence += 1
        if self._wire.say_data(frame(data.body())):
            self._gate.status &= ~Status.REJECTED
        if self.on_line is not None:
            self.on_line(self.truth)
        if not self._obeys and self._motion.now_s - self._introduced_s >= INTRODUCE_EVERY_S:
            self._introduce()


def demo_board(
    timing_deg: float | None = None, seed: int = 0, faults: Sequence[str] = (), **changes: object
) -> Board:
    """Marram's stand, with `changes` to its `Settings` and faults as they are written."""
    settings = dataclasses.replace(
        Settings(timing_deg=timing_deg, seed=seed, faults=tuple(map(parse_fault, faults))),
        **changes,  # type: ignore[arg-type]
    )
    return Board(plant_for(settings), settings)
