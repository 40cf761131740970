"""Boards that only look right: each breaks one rule of the document, and that one is found."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from rig.conformance.rules import UNSEEN
from rig.protocol import commands
from rig.protocol.framing import LONGEST_LINE, frame
from rig.protocol.records import Cut, Status
from rig.simulator.board import Board
from tests.conformance.near import broken, made


def body_of(line: bytes) -> str:
    return line.strip().rpartition(b"*")[0].decode("ascii", "replace")


class FedByDamage(Board):
    """Takes a line with a wrong checksum for a sign of life."""

    def _hear(self, line: bytes) -> None:
        self._gate.hear(self._motion.now_s)
        super()._hear(line)


class FedByWhatItObeys(Board):
    """Takes a line that it refuses for none."""

    def _hear(self, line: bytes) -> None:
        before_s = self._gate._heard_s
        super()._hear(line)
        if isinstance(commands.parse_command(line), commands.Refusal):
            self._gate._heard_s = before_s


class Impatient(Board):
    """Cuts after 450 ms of silence."""

    def _step(self, dt_s: float, ticks: int) -> None:
        super()._step(dt_s, ticks)
        if self.armed and self._motion.now_s - self._gate._heard_s > 0.45:
            self._cut(Status.HEARTBEAT, "heartbeat")


class HoldsNothing(Board):
    """A limit with a hold never cuts."""

    def _obey(self, command: commands.Command) -> str:
        if isinstance(command, commands.Limit) and command.hold_ms:
            return ""
        return super()._obey(command)


class HoldIgnored(Board):
    """A limit with a hold cuts at once."""

    def _obey(self, command: commands.Command) -> str:
        if isinstance(command, commands.Limit):
            command = replace(command, hold_ms=0)
        return super()._obey(command)


class HoldBeforeArm(Board):
    """A hold begins before the arm."""

    def _arm(self, boot: int) -> str:
        since = dict(self._watch._since)
        reason = super()._arm(boot)
        self._watch._since = since
        return reason

    def _judge_limits(self) -> None:
        super()._judge_limits()
        if not self.armed:
            self._watch.beyond(self._tick, self._newest, self._motion.tachometer)


class HoldAnewAtArm(Board):
    """A second arm begins the hold anew."""

    def _arm(self, boot: int) -> str:
        self._watch.forget()
        return super()._arm(boot)


class NoLow(Board):
    """A channel's low limit is ignored."""

    def _obey(self, command: commands.Command) -> str:
        if isinstance(command, commands.Limit) and command.where != commands.EDGES:
            command = replace(command, low=None)
        return super()._obey(command)


class NoEdges(Board):
    """A limit of the edges is answered ok, and forgotten."""

    def _obey(self, command: commands.Command) -> str:
        if isinstance(command, commands.Limit) and command.where == commands.EDGES:
            return ""
        return super()._obey(command)


class NoHighEdges(Board):
    """Only the low limit of the edges is kept."""

    def _obey(self, command: commands.Command) -> str:
        if isinstance(command, commands.Limit) and command.where == commands.EDGES:
            command = replace(command, high=None)
        return super()._obey(command)


class BeforeTheZero(Board):
    """Limits are judged before the zero is taken off."""

    def _judge_limits(self) -> None:
        told = self._newest
        self._newest = [count + zero for count, zero in zip(told, self._zero, strict=True)]
        super()._judge_limits()
        self._newest = told


class ForgetsAtCut(Board):
    """A cut takes the limits away."""

    def _cut(self, why: Status, cause: str, where: str = "-") -> None:
        was_armed = self.armed
        super()._cut(why, cause, where)
        if was_armed:
            self._watch.reset()


class NoCapitals(Board):
    """Ignores STOP."""

    def _hear(self, line: bytes) -> None:
        if line.strip() != b"STOP":
            super()._hear(line)


class SaysXTwice(Board):
    """Two X lines for one cut."""

    def _cut(self, why: Status, cause: str, where: str = "-") -> None:
        was_armed = self.armed
        super()._cut(why, cause, where)
        if was_armed:
            self._wire.say(frame(Cut(self._tick % 2**32, cause, where).body()))


class LongLines(Board):
    """Obeys a line of any length."""

    def _hear(self, line: bytes) -> None:
        if len(line.strip()) > LONGEST_LINE and b"*" in line:
            line = frame(re.sub(r",0+(?=\d)", ",", body_of(line))).strip()
        super()._hear(line)


class KeepsTheCause(Board):
    """The status still tells of the last cut when it is armed again."""

    def _arm(self, boot: int) -> str:
        cause = self._gate.status & (Status.LIMIT | Status.HEARTBEAT)
        reason = super()._arm(boot)
        if self.armed:
            self._gate.status |= cause
        return reason


class KeepsTheLimit(Board):
    """The same for a limit only."""

    def _arm(self, boot: int) -> str:
        cause = self._gate.status & Status.LIMIT
        reason = super()._arm(boot)
        if self.armed:
            self._gate.status |= cause
        return reason


class LenientArm(Board):
    """Reads the boot number as `pattern` finds it in the field."""

    pattern = r""

    def _hear(self, line: bytes) -> None:
        found = re.fullmatch(self.pattern, body_of(line))
        super()._hear(frame(",".join(found.groups())).strip() if found else line)


class SpaceBefore(LenientArm):
    pattern = r"(arm),(\d+), +(\d+)"


class PlusBefore(LenientArm):
    pattern = r"(arm),(\d+),\+(\d+)"


class JunkBehind(LenientArm):
    pattern = r"(arm),(\d+),(\d+)[^\d,].*"


class WrapsAt16Bits(Board):
    """Takes 65536 more for the same boot number."""

    def _hear(self, line: bytes) -> None:
        word, *fields = body_of(line).split(",")
        if word == "arm" and fields[1:] == [str(self._boot + 65536)]:
            line = commands.line(commands.Arm(self._boot), int(fields[0])).strip()
        super()._hear(line)


class NumberNotNeeded(Board):
    """Answers a line without a number under 0."""

    def _hear(self, line: bytes) -> None:
        super()._hear(frame("beat,0").strip() if body_of(line) == "beat" else line)


class ZeroesAnything(Board):
    """Says ok to a zero for a channel that has none."""

    def _obey(self, command: commands.Command) -> str:
        reason = super()._obey(command)
        return "" if isinstance(command, commands.Zero) and reason == "cannot" else reason


class ZeroesWhileArmed(Board):
    """Takes a zero while it is armed."""

    def _obey(self, command: commands.Command) -> str:
        reason = super()._obey(command)
        return "" if isinstance(command, commands.Zero) and reason == "state" else reason


@pytest.mark.parametrize(
    ("kind", "rule", "words"),
    [
        (FedByDamage, "is not kept alive by damaged lines", "wrong checksum"),
        (FedByWhatItObeys, "is kept alive by lines that it refuses", "it cut"),
        (Impatient, "cuts when the host falls silent", "45"),
        (HoldsNothing, "keeps a limit's hold", "did not cut"),
        (HoldIgnored, "keeps a limit's hold", "ms after the arm"),
        (HoldBeforeArm, "keeps a limit's hold", "ms after the arm"),
        (HoldAnewAtArm, "changes nothing when armed twice", "hold of 300 ms last"),
        (NoLow, "cuts at a low limit", "did not cut"),
        (NoEdges, "cuts at a limit of the edges", "did not cut"),
        (BeforeTheZero, "judges readings less their zero", "it cut between"),
        (ForgetsAtCut, "keeps its limits after a cut", "did not cut"),
        (NoCapitals, "obeys stop as a bare word", "STOP"),
        (SaysXTwice, "says X once for a cut", "2 X lines"),
        (LongLines, "takes a line of 120 characters, none longer", "121 characters was answered"),
        (KeepsTheCause, "forgets the cause of a cut at the next arm", "still has 8"),
        (KeepsTheLimit, "forgets the cause of a cut at the next arm", "still has 4"),
        (SpaceBefore, "refuses a malformed arm", "answered ok"),
        (PlusBefore, "refuses a malformed arm", "answered ok"),
        (JunkBehind, "refuses a malformed arm", "answered ok"),
        (WrapsAt16Bits, "refuses a malformed arm", "answered ok"),
        (NumberNotNeeded, "passes over lines without a number", "was answered"),
        (ZeroesAnything, "refuses what a channel lacks", "answered ok"),
        (ZeroesWhileArmed, "refuses zero while armed", "answered ok"),
    ],
)
def test_it_breaks_this_rule_and_no_other(kind: type[Board], rule: str, words: str) -> None:
    found = broken(made(kind))
    assert set(found) == {rule}, found
    assert words in found[rule]


class ThrottleAnewAtArm(Board):
    """A second arm sets the throttle to 0."""

    def _arm(self, boot: int) -> str:
        reason = super()._arm(boot)
        self._gate.throttle = 0.0
        return reason


def test_what_no_host_can_see_is_said() -> None:
    assert broken(made(ThrottleAnewAtArm)) == {}
    assert any("second arm leaves the throttle alone" in hint for hint in UNSEEN)


# With edges


class Spun(Board):
    """Somebody spins the tachometer: 250 edges a second, whatever the drive does."""

    def _step(self, dt_s: float, ticks: int) -> None:
        super()._step(dt_s, ticks)
        tachometer, every = self._motion.tachometer, self.settings.tick_hz // 250
        if self._tick // every != (self._tick - ticks) // every:
            tachometer.edges += 1
            tachometer.edge_tick = self._tick // every * every


class SpunNoEdges(NoEdges, Spun):
    pass


class SpunNoHighEdges(NoHighEdges, Spun):
    pass


class SpunAlarmed(Spun):
    """Cuts for every limit of the edges."""

    def _obey(self, command: commands.Command) -> str:
        if isinstance(command, commands.Limit) and command.where == commands.EDGES:
            command = replace(command, high=None if command.high is None else command.high // 8)
        return super()._obey(command)


def test_a_spun_tachometer_shows_the_rules_on_speed() -> None:
    rule = "cuts when it turns too fast"
    assert broken(made(Spun), turning=True) == {}
    assert set(broken(made(SpunNoEdges), turning=True)) == {rule, "cuts at a limit of the edges"}
    assert set(broken(made(SpunNoHighEdges), turning=True)) == {rule}
    assert set(broken(made(SpunAlarmed), turning=True)) == {rule}
    assert broken(made(NoHighEdges)) == {}


def test_a_tachometer_that_was_to_turn_and_does_not() -> None:
    found = broken(made(Board), turning=True)
    assert "no edge came" in found["tells edges and their tick together"]
