"""The simulated board: counts and lines out, commands in, as firmware_protocol.md has it.

Sans I/O and without a clock: `advance` lets board time pass and gives the bytes that a real
board would have sent, `receive` takes what the host says. All randomness comes from the seed.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field

from rig.protocol import commands
from rig.protocol.framing import Fault as LineFault
from rig.protocol.framing import frame
from rig.protocol.records import (
    BOOT_BITS,
    EDGE_BITS,
    SEQUENCE_BITS,
    TICK_BITS,
    Answer,
    Channel,
    Cut,
    Data,
    Hello,
    Status,
)
from rig.simulator.faults import Fault
from rig.simulator.plant import Drive, Plant

FULL_SCALE = 1024
CONVERSIONS = 16
REFERENCE_V = 5.0
LONGEST_HEARD = 240


@dataclass(frozen=True, slots=True)
class Wiring:
    """What stands between the quantities and the converter; Marram's, as in marram.toml."""

    shunt_ohm: float = 0.00075
    gain: float = 50.0
    upper_ohm: float = 56_000.0
    lower_ohm: float = 10_000.0
    r25_ohm: float = 10_000.0
    beta_k: float = 3977.0
    series_ohm: float = 10_000.0
    pulses_per_revolution: int = 2


@dataclass(frozen=True, slots=True)
class Settings:
    """How the board is set up. `start` holds the first sequence, tick and edge count.

    `stand` is the seed of the stand's own gain and offset errors, which do not change from
    run to run; 0 is a stand without errors. `seed` is that of everything else.
    """

    seed: int = 0
    line_hz: int = 200
    tick_hz: int = 2_000_000
    abilities: str = "STLZ"
    faults: tuple[Fault, ...] = ()
    noise_counts: float = 0.7
    stand: int = 1
    start: tuple[int, int, int] = (0, 0, 0)
    wiring: Wiring = field(default_factory=Wiring)


LABELS = (
    ("current", "shunt"),
    ("voltage", "pack"),
    ("temperature", "motor"),
    ("temperature", "controller"),
    ("temperature", "cells"),
)


class Board:
    """A board on its stand. `plant.truth` is what its readings ought to say."""

    def __init__(self, drive: Drive, settings: Settings) -> None:
        self.settings = settings
        self.plant = Plant(drive)
        self.armed = False
        self.throttle = 0.0
        self._random = random.Random(settings.seed)
        self._errors = self._draw_errors()
        self._boot = self._random.randrange(2**BOOT_BITS)
        self._now_s = 0.0
        self._driven_since_s: float | None = None
        self._out: list[bytes] = []
        self._heard = b""
        self._done: set[Fault] = set()
        self._held: bytes | None = None
        self._stuck: int | None = None
        self._zero = [0] * len(LABELS)
        self._power_up()

    def _power_up(self) -> None:
        first = self.settings.start
        self._sequence, self._tick_offset, self._edges = first
        self._boot_s = self._now_s
        self._edge_tick = self._tick_offset
        self._marks = self._whole_marks()
        self._heard = b""
        self._limits: dict[int | str, commands.Limit] = {}
        self._beyond_s: dict[int | str, float] = {}
        self._status = Status.CUT
        self.armed, self.throttle, self._deaf = False, 0.0, False
        self._last_heard_s = self._now_s
        self._next_line_s = self._now_s + 1.0 / self.settings.line_hz
        self._introduce()

    def _draw_errors(self) -> dict[str, tuple[float, float]]:
        """Gain and offset errors of this stand, inside marram.toml's tolerances."""
        if not self.settings.stand:
            return {label: (1.0, 0.0) for _, label in LABELS}
        uniform = random.Random(self.settings.stand).uniform
        wide = {"shunt": (0.006, 0.12), "pack": (0.006, 0.0)}
        return {
            label: (
                1.0 + uniform(-1, 1) * wide.get(label, (0.004, 0.0))[0],
                uniform(-1, 1) * wide.get(label, (0.0, 0.0))[1],
            )
            for _, label in LABELS
        }

    # What the host says

    def receive(self, data: bytes) -> None:
        """Bytes from the host. Never raises, whatever they are."""
        *lines, self._heard = (self._heard + data).split(b"\n")
        self._heard = self._heard[:LONGEST_HEARD]
        for line in lines:
            if line.strip():
                self._obey(line)

    def _obey(self, line: bytes) -> None:
        if "S" not in self.settings.abilities:
            return
        heard = commands.parse_command(line)
        if isinstance(heard, LineFault):
            self._status |= Status.REJECTED
            return
        self._last_heard_s = self._now_s
        if isinstance(heard, commands.Refusal):
            self._answer(heard.number, heard.reason)
            return
        number, command = heard
        reason = self._do(command)
        if number is not None:
            self._answer(number, reason)

    def _do(self, command: commands.Command) -> str:
        """Carry out `command`; the reason for a refusal, empty when done."""
        match command:
            case commands.Stop():
                self._stop()
            case commands.AskHello():
                self._introduce()
            case commands.Arm(boot):
                return self._arm(boot)
            case commands.Throttle(permille):
                if "T" not in self.settings.abilities:
                    return "cannot"
                if not self.armed:
                    return "state"
                self.throttle = permille / commands.FULL_THROTTLE
            case commands.Limit():
                return self._hold(command)
            case commands.Zero(index):
                return self._take_zero(index)
        return ""

    def _arm(self, boot: int) -> str:
        if boot != self._boot:
            return "boot"
        if self._fault("refuses-arm") or (self.throttle and not self.armed):
            return "state"
        self.armed = True
        self._status = Status.ARMED
        return ""

    def _hold(self, limit: commands.Limit) -> str:
        if "L" not in self.settings.abilities:
            return "cannot"
        if isinstance(limit.where, int) and limit.where >= len(LABELS):
            return "range"
        self._limits[limit.where] = limit
        self._beyond_s.pop(limit.where, None)
        return ""

    def _take_zero(self, index: int) -> str:
        if "Z" not in self.settings.abilities or index != 0:
            return "cannot"
        if self.armed:
            return "state"
        self._zero[index] += self._counts()[index]
        self._send(frame(self._channel(index).body()))
        return ""

    def _answer(self, number: int, reason: str) -> None:
        if not self._fault("no-answers"):
            self._send(frame(Answer(number, reason).body()))

    def _stop(self) -> None:
        if self._fault("deaf-stop"):
            self._deaf = True
            return
        self._cut(Status(0), "stop")

    def _cut(self, why: Status, cause: str, where: str = "-") -> None:
        was_armed, self.armed, self.throttle = self.armed, False, 0.0
        if was_armed:
            self._status = Status.CUT | why
            self._send(frame(Cut(self._tick() % 2**TICK_BITS, cause, where).body()))

    # Time passes

    def advance(self, seconds: float) -> bytes:
        """Let board time pass; the bytes sent meanwhile."""
        end_s = self._now_s + seconds
        while self._next_line_s <= end_s:
            self._pass(self._next_line_s - self._now_s)
            self._next_line_s += 1.0 / self.settings.line_hz
            self._watch()
            self._say_data()
        self._pass(end_s - self._now_s)
        sent, self._out = b"".join(self._out), []
        return sent

    def _pass(self, seconds: float) -> None:
        self._disturb()
        before_s, before_rev = self._now_s, self.plant.truth.angle_rev
        throttle = self.throttle if self.armed else 0.0
        self.plant.advance(throttle, seconds)
        self._now_s += seconds
        if self._driven_since_s is None and throttle > 0.0:
            self._driven_since_s = self._now_s
        marks = self._whole_marks()
        if marks > self._marks and seconds > 0.0:
            new = marks - self._marks
            turned = self.plant.truth.angle_rev - before_rev
            at_rev = marks / self.settings.wiring.pulses_per_revolution
            share = (at_rev - before_rev) / turned
            self._edge_tick = self._tick(before_s + share * seconds)
            for _ in range(new):
                self._edges += 1 + self._hit("double-mark") - self._hit("missing-mark")
            self._marks = marks

    def _disturb(self) -> None:
        """Faults of the stand itself."""
        plant = self.plant
        plant.extra_v = 4.0 * self._fault("overvolt") - 8.0 * self._fault("undervolt")
        plant.extra_load = 3.0 if self._fault("overcurrent") else 1.0
        plant.unloaded = self._fault("overspeed")
        plant.extra_heat_w = 5000.0 if self._fault("overheat") else 0.0
        reset = self._once("reset")
        if reset:
            self._boot = (self._boot + 1) % 2**BOOT_BITS
            self._power_up()

    def _watch(self) -> None:
        """The board's own reasons to cut: a host that is gone, limits of its own."""
        if not self.armed or self._deaf:
            return
        if self._now_s - self._last_heard_s > commands.HEARTBEAT_LOST_S:
            self._cut(Status.HEARTBEAT, "heartbeat")
            return
        counts = self._counts()
        edges_hz = self.plant.truth.speed_rpm / 60.0 * self.settings.wiring.pulses_per_revolution
        for where, limit in self._limits.items():
            reading = edges_hz if isinstance(where, str) else counts[where]
            inside = (limit.low is None or reading >= limit.low) and (
                limit.high is None or reading <= limit.high
            )
            if inside:
                self._beyond_s.pop(where, None)
                continue
            since_s = self._beyond_s.setdefault(where, self._now_s)
            if self._now_s - since_s >= limit.hold_ms / 1000.0:
                self._cut(Status.LIMIT, "limit", str(where))
                return

    # What the board says

    def _introduce(self) -> None:
        hello = Hello(
            protocol=2 if self._fault("protocol-2") else 1,
            board="marram-sim",
            firmware="1.0",
            boot=self._boot,
            tick_hz=self.settings.tick_hz,
            line_hz=self.settings.line_hz,
            abilities=frozenset(self.settings.abilities),
            channels=len(LABELS),
        )
        self._send(frame(hello.body()))
        for index in range(len(LABELS)):
            self._send(frame(self._channel(index).body()))

    def _channel(self, index: int) -> Channel:
        quantity, label = LABELS[index]
        abilities = {"L"} if "L" in self.settings.abilities else set()
        if index == 0 and "Z" in self.settings.abilities:
            abilities.add("Z")
        return Channel(
            index, quantity, label, FULL_SCALE, CONVERSIONS, frozenset(abilities), self._zero[index]
        )

    def _say_data(self) -> None:
        data = Data(
            sequence=self._sequence % 2**SEQUENCE_BITS,
            tick=self._tick() % 2**TICK_BITS,
            edges=self._edges % 2**EDGE_BITS,
            edge_tick=self._edge_tick % 2**TICK_BITS,
            status=int(self._status),
            counts=self._counts(),
        )
        self._sequence += 1
        self._status &= ~Status.REJECTED
        self._send_data(frame(data.body()))

    def _send_data(self, line: bytes) -> None:
        """A data line, and what the wire may do to it."""
        if self._once("garbage"):
            self._send(self._random.randbytes(300))
        if self._hit("drop"):
            return
        if self._hit("corrupt"):
            at = self._random.randrange(len(line) - 1)
            line = line[:at] + bytes([line[at] ^ (1 << self._random.randrange(7))]) + line[at + 1 :]
        if self._hit("cut-lines"):
            line = line[: self._random.randrange(1, len(line) - 1)]
        if self._held is not None:
            self._send(line)
            line, self._held = self._held, None
        elif self._hit("reorder"):
            self._held = line
            return
        self._send(line * 2 if self._hit("duplicate") else line)

    def _send(self, line: bytes) -> None:
        if not self._fault("silent"):
            self._out.append(line)

    # Readings

    def _counts(self) -> tuple[int, ...]:
        now, wiring = self.plant.truth, self.settings.wiring
        volts = [
            now.current_a * wiring.shunt_ohm * wiring.gain,
            now.voltage_v * wiring.lower_ohm / (wiring.upper_ohm + wiring.lower_ohm),
            self._thermistor_v(now.motor_degc),
            self._thermistor_v(now.controller_degc),
            self._thermistor_v(now.pack_degc),
        ]
        if self._fault("clip-current"):
            volts[0] *= 20.0
        if self._fault("motor-open"):
            volts[2] = REFERENCE_V
        if self._fault("motor-shorted"):
            volts[2] = 0.0
        counts = [
            self._convert(volt, label) for volt, (_, label) in zip(volts, LABELS, strict=True)
        ]
        if self._fault("motor-stuck"):
            self._stuck = counts[2] if self._stuck is None else self._stuck
            counts[2] = self._stuck
        return tuple(count - zero for count, zero in zip(counts, self._zero, strict=True))

    def _thermistor_v(self, degc: float) -> float:
        wiring = self.settings.wiring
        ohm = wiring.r25_ohm * math.exp(wiring.beta_k * (1.0 / (degc + 273.15) - 1.0 / 298.15))
        return REFERENCE_V * ohm / (ohm + wiring.series_ohm)

    def _convert(self, volts: float, label: str) -> int:
        """The sum of the conversions, each with its own noise and its own rounding down."""
        gain, offset_a = self._errors[label]
        offset_v = offset_a * self.settings.wiring.shunt_ohm * self.settings.wiring.gain
        steps = (volts * gain + offset_v) / REFERENCE_V * FULL_SCALE + 0.5
        gauss, noise = self._random.gauss, self.settings.noise_counts
        total = 0
        for _ in range(CONVERSIONS):
            reading = int(steps + noise * gauss(0.0, 1.0)) if steps > -8.0 else 0
            total += min(max(reading, 0), FULL_SCALE - 1)
        return total

    def _tick(self, at_s: float | None = None) -> int:
        elapsed_s = (self._now_s if at_s is None else at_s) - self._boot_s
        return self._tick_offset + int(elapsed_s * self.settings.tick_hz)

    def _whole_marks(self) -> int:
        per_revolution = self.settings.wiring.pulses_per_revolution
        return math.floor(self.plant.truth.angle_rev * per_revolution)

    # Faults

    def _find(self, name: str) -> Fault | None:
        began_s = self._driven_since_s if self._driven_since_s is not None else 0.0
        for fault in self.settings.faults:
            if fault.name == name:
                waits = (
                    fault.at_s > 0.0
                    and self._driven_since_s is None
                    and "S" in self.settings.abilities
                )
                if not waits and self._now_s - began_s >= fault.at_s:
                    return fault
        return None

    def _fault(self, name: str) -> bool:
        return bool(self.settings.faults) and self._find(name) is not None

    def _once(self, name: str) -> bool:
        fault = self._find(name) if self.settings.faults else None
        if fault is None or fault in self._done:
            return False
        self._done.add(fault)
        return True

    def _hit(self, name: str) -> bool:
        fault = self._find(name) if self.settings.faults else None
        return fault is not None and self._random.random() < fault.share


def demo_board(
    timing_deg: float = 10.0, seed: int = 0, faults: Sequence[Fault] = (), **settings: object
) -> Board:
    """Marram's drive on a board with the given faults."""
    return Board(
        Drive(timing_deg=timing_deg),
        Settings(seed=seed, faults=tuple(faults), **settings),  # type: ignore[arg-type]
    )
