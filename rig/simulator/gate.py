"""Whether the drive may run: armed, cut, the host's silence, and the bits that tell of it."""

from __future__ import annotations

from rig.protocol.commands import HEARTBEAT_LOST_S
from rig.protocol.records import Status


class Gate:
    """The output that holds the drive off, and the status of the next data line.

    A board that does not `obey` has no such output: it is never armed and never cuts.
    """

    def __init__(self, *, obeys: bool) -> None:
        self._obeys = obeys
        self.reset(0.0)

    def reset(self, now_s: float) -> None:
        """Power-up: the drive is off."""
        self.armed = False
        self.throttle = 0.0
        """As the host told it, 0 to 1."""
        self.stuck = False
        """Nothing takes the drive away any more: a fault."""
        self.status = Status.CUT if self._obeys else Status(0)
        self.held_until_s = 0.0
        """The stop input is open until then: no arm meanwhile."""
        self._heard_s = now_s

    def hear(self, now_s: float) -> None:
        """The host is there."""
        self._heard_s = now_s

    def is_forgotten(self, now_s: float) -> bool:
        """Whether the drive is on and the host has been silent for too long."""
        return self.armed and now_s - self._heard_s >= HEARTBEAT_LOST_S

    def arm(self) -> bool:
        """Let the drive run, with no throttle; gives whether it was off until now."""
        if self.armed:
            return False
        self.armed = True
        self.status = Status.ARMED | self.status & Status.REJECTED
        return True

    def cut(self, why: Status) -> bool:
        """Take the drive away; gives whether there was one to take."""
        if self.stuck or not self.armed:
            return False
        self.armed, self.throttle = False, 0.0
        self.status = Status.CUT | why | self.status & Status.REJECTED
        return True
