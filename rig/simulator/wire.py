"""The board's transmitter: what the wire does to lines, and how fast it carries them."""

from __future__ import annotations

import random

from rig.simulator.faults import FaultClock

BUFFER = 1024
"""Bytes of a board's transmit buffer."""

RESERVED = 512
"""Room in it that data lines leave to answers and to the introduction."""

BITS_A_BYTE = 10
"""8N1: start bit, eight bits, stop bit."""


class Transmitter:
    """Takes whole lines and lets them out at the line's speed, as `faults` will have it."""

    def __init__(self, baud: int, faults: FaultClock, chance: random.Random) -> None:
        self._per_s = baud / BITS_A_BYTE
        self._faults, self._chance = faults, chance
        self._buffer = bytearray()
        self._carried = 0.0
        self._held = b""

    def reset(self) -> None:
        """Whatever waits is lost."""
        self._buffer.clear()
        self._held = b""

    def say(self, line: bytes) -> None:
        """An answer or an introduction."""
        full = self._per_s and len(self._buffer) + len(line) > BUFFER
        if not full and not self._faults.on("silent"):
            self._buffer += line

    def say_data(self, line: bytes) -> bool:
        """A data line; dropped where there is no room for it. Whether the board sent it."""
        faults = self._faults
        if faults.once("garbage"):
            self.say(self._chance.randbytes(300))
        if faults.hit("drop"):
            return True
        if self._per_s and len(self._buffer) + len(line) > BUFFER - RESERVED:
            return False
        if faults.hit("corrupt"):
            damaged = bytearray(line)
            damaged[self._chance.randrange(len(line) - 1)] ^= 1 << self._chance.randrange(7)
            line = bytes(damaged)
        if faults.hit("cut-lines"):
            line = line[: self._chance.randrange(1, len(line) - 1)]
        if self._held:
            line, self._held = line + self._held, b""
        elif faults.hit("reorder"):
            self._held = line
            return True
        self.say(line * 2 if faults.hit("duplicate") else line)
        return True

    def carry(self, seconds: float) -> bytes:
        """The bytes that leave in the next `seconds`."""
        room = len(self._buffer)
        if self._per_s:
            # An idle line saves nothing up.
            self._carried = min(self._carried + seconds * self._per_s, room + 1.0)
            room = min(room, int(self._carried))
            self._carried -= room
        sent = bytes(self._buffer[:room])
        del self._buffer[:room]
        return sent
