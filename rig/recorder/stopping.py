"""The stop: sent, proven, and repeated while it is not proven.

Sans I/O: the session says what time it is and which readings there are. Three rules:

* A stop is proven by what the stand measures, and by the board saying in a data line that it
  holds the drive off. An answer alone proves nothing.
* Until it counts as not effective, the stop is repeated as any unanswered command is.
* After that the host falls silent between repeats for longer than the board's heartbeat watch
  waits, so that a board that is deaf to `stop` still cuts. Nothing shortens that silence,
  also not an operator who presses the stop key again and again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from rig.protocol import commands
from rig.protocol.records import Status
from rig.recorder.conversation import Conversation
from rig.recorder.proof import PROVE_WITHIN_S, Proof
from rig.stand.sampler import NO_REFERENCE, Sample

QUIET_BEFORE_STOP_AGAIN_S = 0.7
"""Silence between repeats of an unproven stop. A board that hears nothing cuts after 0.5 s."""

HAND_STOP_WITHIN_S = 10.0
"""What an operator gets to bring the throttle down where no command can."""

UNPROVEN_AT_MOST_S = 20.0

_CUT = int(Status.CUT)


class Stopping:
    """The stop of one run. `send` takes bytes for the board."""

    def __init__(self, talk: Conversation, send: Callable[[bytes], None]) -> None:
        self.ordered = False
        """Whether a stop was sent at all."""
        self._talk, self._send = talk, send
        self._proof: Proof | None = None
        self._began_s: float | None = None
        """The board's clock at the first line after `expect_fall`."""
        self._quiet_since_s = 0.0

    def order(self, now_s: float) -> None:
        """Send the stop: the bare word, then the numbered line that must be answered."""
        self.ordered = True
        self._quiet_since_s = now_s
        self._send(self._talk.tell(commands.Stop(), now_s))

    def expect_fall(self, values: Mapping[str, float]) -> None:
        """From `values`, the newest readings by column, current and speed must fall."""
        self._proof, self._began_s = Proof.begin(values), None

    def is_proven(self, sample: Sample, values: Mapping[str, float], *, obeys: bool) -> bool:
        """Whether this line shows that the stop took effect. `obeys`: the board can cut."""
        if self._proof is None:
            return False
        # A reference that is not known makes no reading that falls one that does not.
        faulty = {column for column, word in sample.faults if word != NO_REFERENCE}
        unusable = frozenset(sample.clipped) | faulty
        if self._began_s is None:
            self._began_s = sample.time_s
        if "speed_rpm" not in unusable:
            self._proof = self._proof.with_late_speed(values, sample.time_s - self._began_s)
        if obeys and not sample.status & _CUT:
            return False
        return self._proof.holds(values, unusable)

    def prove_within_s(self, *, by_hand: bool) -> float:
        """How long readings may take to fall before the stop counts as not effective."""
        return HAND_STOP_WITHIN_S if by_hand else PROVE_WITHIN_S

    def fall_silent(self, now_s: float) -> None:
        """The stop is not effective: from now on silence before each repeat."""
        self._talk.forget()
        self._quiet_since_s = now_s

    def repeat(self, now_s: float) -> bool:
        """Send the stop again if the silence has lasted long enough; whether it was sent."""
        if now_s - self._quiet_since_s < QUIET_BEFORE_STOP_AGAIN_S:
            return False
        self.order(now_s)
        self._talk.forget()
        return True
