"""`rig check --turn`: two parts that are kept apart, each behind its own cautions and typed word.

**By hand.** Disarmed, the motor's supply off. The rotor is turned by hand, and one turn must be one
turn on the screen. This part's script has no order but the stop (`scripts.ByHand`), and nothing is
counted before the voltage is near zero, where the stand has one.

**Powered.** A few short drives at the lowest throttle that turns, one for each way to stop: a stop,
the host's silence, the board's own limit, the stop input. Each must be seen to stop the motor.

Nothing here speaks to a board. Each drive is a run of its own in a recorder process of its own, as
in `rig run`: it holds the port alone, the board is armed anew and holds the stand's limits, the
guard judges every line, and the motor is stopped when this program dies, stands still or fails, at
Ctrl+C, and when its terminal is closed. What differs is one order (`messages.Prove`): the session
lets the board cut by itself, watches current and speed fall, and sends its stop after that or
after a deadline (`rig.recorder.trial`). A drive is over after `LONGEST_DRIVE_S` in any case. A stop
that did not take effect ends the check, in the same words and with the same exit code as a run.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

import platformdirs

from rig import bench, headless, virtual
from rig.bench import Request
from rig.errors import DONE, LINK_LOST, LinkError, SettingsError
from rig.headless import Printer
from rig.protocol.records import Hello
from rig.proving import judged
from rig.proving.judged import Finding
from rig.proving.scripts import ByHand, Drive, Script
from rig.proving.tester import Answers, Simulated, Tester
from rig.recorder.messages import Ended, Order, Plan, Snapshot
from rig.recorder.proof import PROVE_WITHIN_S
from rig.recorder.trial import LIMIT, SILENCE, STOP, STOP_INPUT
from rig.recorder.verdicts import BY_HAND
from rig.simulator.process import SimulatedBoard
from rig.stand.model import Stand
from rig.stand.settings import stand_to_dict
from rig.stop_proof import SIMULATED, StopProof, Way, digest_of, keep
from rig.text import plain
from rig.vocabulary import MAY_STILL_TURN, RunOutcome

LONGEST_DRIVE_S = 45.0
SOAK_S = 0.3
JUDGED = (RunOutcome.DONE, RunOutcome.NOT_PROVEN)
"""Outcomes of a drive that say whether the way to stop it did."""

Carrier = Callable[[Plan, Callable[[Callable[[Order], None]], Printer]], Ended]


@dataclass(slots=True)
class Checked:
    """What came of it. `outcome` and `exit_code` are as those of a run."""

    findings: list[Finding] = field(default_factory=list)
    ways: dict[str, Way] = field(default_factory=dict)
    throttle_pct: float | None = None
    outcome: str = RunOutcome.DONE
    exit_code: int = DONE
    cause: str = ""
    to_do: str = ""
    kept: Path | None = None

    def sentence(self) -> str:
        """How it ended, where the proof lies, and what to do."""
        lines = [f"{self.outcome}: {self.cause or 'every way that was tried stopped the motor'}"]
        if self.to_do:
            lines.append(self.to_do)
        if self.kept is not None:
            lines.append(f"kept for the captures that follow: {self.kept}")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return asdict(self) | {"kept": str(self.kept) if self.kept else None}


def check_turn(
    request: Request,
    answers: Answers,
    *,
    ceiling_pct: float,
    rpm_per_volt: float | None = None,
    out: TextIO = sys.stderr,
) -> Checked:
    """Both parts, on the board that `request` names. Raises RigError for what cannot be begun."""
    stand = bench.stand_of(request)
    with _carrier(request, answers, stand, out) as (port, carrier, tester):
        check = _Check(stand, port, carrier, tester, out)
        hello = check.by_hand()
        if check.result.exit_code == DONE:
            check.powered(hello, ceiling_pct, rpm_per_volt)
    return check.result


@contextmanager
def _carrier(
    request: Request, answers: Answers, stand: Stand, out: TextIO
) -> Iterator[tuple[str, Carrier, Tester]]:
    """The port, what carries out a plan there, and who is at the stand."""
    if request.fast:
        board = bench.near_board(request)
        yield (
            SIMULATED,
            lambda plan, printer_for: virtual.carry_out(plan, board, printer_for),
            Simulated(answers, out, board.happen),
        )
    elif request.simulated:
        with SimulatedBoard(bench.board_options(request)) as simulated:
            yield (
                simulated.url,
                headless.carry_out,
                Simulated(answers, out, simulated.happen),
            )
    else:
        port = request.port or stand.port
        if port is None:
            raise SettingsError(
                "no port is named",
                where="rig check --turn",
                to_do="Give --port, or `port` in stand.toml; `rig ports` lists them.",
            )
        yield port, headless.carry_out, Tester(answers, out)


class _Check:
    """One check: its drives, and what was found so far."""

    def __init__(
        self, stand: Stand, port: str, carrier: Carrier, tester: Tester, out: TextIO
    ) -> None:
        self.result = Checked()
        self._stand, self._port, self._carrier = stand, port, carrier
        self._tester, self._out = tester, out

    # Part 1

    def by_hand(self) -> Hello:
        """Turn the rotor by hand. Raises RigError where the board is not there."""
        tachometer = self._stand.tachometer
        pulses = tachometer.pulses_per_revolution if tachometer else 0
        turns = judged.turns_to_ask(pulses) if pulses else 0
        sees_voltage = any(channel.key == "voltage" for channel in self._stand.channels)
        self._tester.before_hands(turns, sees_voltage=sees_voltage)

        def ask() -> None:
            if turns:
                self._tester.turn(turns)

        def count(edges: int) -> None:
            if pulses:
                self._say(f"    {edges / pulses:5.1f} turns  ({edges} edges)")

        script = ByHand(ask, count, wait=bool(turns))
        ended = self._carry_out(script, "by hand")
        if script.newest is None or script.newest.hello is None:
            absent = LinkError(ended.cause, to_do=ended.to_do)
            absent.exit_code = ended.exit_code
            raise absent
        if script.problem:
            raise SettingsError(
                script.problem, where="part 1, by hand", to_do="Take the motor's supply off first."
            )
        if not script.is_done:
            self._end(ended)
        elif pulses:
            self._found(judged.turned(script.edges, pulses, turns))
            if self.result.exit_code:
                self.result.to_do = "Mend that first: the motor was not driven."
        else:
            self._found(Finding("turns", None, "there is no tachometer in stand.toml"))
        return script.newest.hello

    # Part 2

    def powered(self, hello: Hello, ceiling_pct: float, rpm_per_volt: float | None) -> None:
        """The drives. Raises SettingsError for a board that cannot be stopped or driven."""
        _must_obey(hello)
        propeller, has_input = self._tester.before_power(ceiling_pct)
        self.result.ways = _not_tried(hello, has_input)
        for way in [name for name, tried in self.result.ways.items() if not tried.words]:
            self._say(f"\n{way}:")
            drive = Drive(
                way, self._stand, known_pct=self.result.throttle_pct, ceiling_pct=ceiling_pct,
                ask=self._tester.press if way == STOP_INPUT else lambda: None,
            )  # fmt: skip
            ended = self._carry_out(drive, way)
            if drive.problem and ended.seen is None and ended.outcome not in MAY_STILL_TURN:
                self._found(Finding("drive", False, drive.problem))
                break
            if way == STOP and ended.seen is not None:
                self._measured(drive, rpm_per_volt)
            self.result.throttle_pct = drive.throttle_pct
            if not self._judge(way, drive, ended, hello):
                break
        ways = self.result.ways.values()
        # A check that was broken off says nothing, unless a way to stop has failed in it.
        if any(w.proven is False for w in ways) or all(w.proven or w.words for w in ways):
            proof, port = self._proof(hello, propeller), self._tester.port_name(self._port)
            self.result.kept = keep(proof, self._stand, port)

    def _measured(self, drive: Drive, rpm_per_volt: float | None) -> None:
        rest, driven = drive.rest, drive.driven
        if rpm_per_volt is None and self._stand.motor is not None:
            rpm_per_volt = self._stand.motor.rpm_per_volt
        if "current_a" in rest:
            found = judged.direction(rest["current_a"], driven.get("current_a", 0.0), drive.step_a)
            self._found(found)
        if "voltage_v" in driven and "speed_rpm" in driven:
            volts, speed = driven["voltage_v"], driven["speed_rpm"]
            found = judged.rpm_per_volt(speed, volts, drive.throttle_pct, rpm_per_volt)
            self._found(found)
        if "voltage_v" in rest and "voltage_v" in driven:
            self._found(judged.sag(rest["voltage_v"], driven["voltage_v"], drive.step_v))

    def _judge(self, name: str, drive: Drive, ended: Ended, hello: Hello) -> bool:
        """Keep what was seen of this way; whether the next one may be tried."""
        result = self.result
        is_result = name == STOP or ended.outcome in {*JUDGED, *MAY_STILL_TURN}
        if ended.seen is None or not is_result:
            # Ctrl+C, a limit of the stand, or the link came first: nothing is known of this way.
            self._end(ended)
            if ended.outcome in MAY_STILL_TURN:
                result.ways[name] = Way(False, words=ended.cause[:200])
            return False
        way = judged.way_of(ended, hello.line_hz, on_edges=drive.limit_on_edges)
        result.ways[name] = way
        took = "" if way.fell_ms is None else f"current and speed fell after {way.fell_ms:.0f} ms"
        verdict = "proven" if way.proven else "NOT PROVEN"
        self._say(f"{verdict:<12}  {name}: {'; '.join(filter(None, (way.words, took)))}")
        if way.proven:
            return True
        if name == STOP and ended.outcome not in MAY_STILL_TURN:
            cause = f"a stop did not stop the motor within {PROVE_WITHIN_S:g} s"
            ended = Ended(RunOutcome.STOP_NOT_EFFECTIVE, LINK_LOST, cause, BY_HAND)
        if ended.outcome not in JUDGED:
            self._end(ended)
            return False
        result.outcome, result.exit_code = RunOutcome.NOT_PROVEN, LINK_LOST
        result.cause = ", ".join(n for n, w in result.ways.items() if w.proven is False)
        result.to_do = "Do not run this stand before that is mended: mend it, then check again."
        return True

    def _proof(self, hello: Hello, propeller: str) -> StopProof:
        return StopProof(
            utc=datetime.now(UTC).isoformat(timespec="seconds"),
            digest=digest_of(self._stand),
            board=hello.board,
            firmware=hello.firmware,
            ways=self.result.ways,
            propeller=propeller,
            throttle_pct=self.result.throttle_pct,
        )

    # Both

    def _carry_out(self, script: Script, name: str) -> Ended:
        folder = Path(platformdirs.user_state_path("rig")) / "checks"
        folder.mkdir(parents=True, exist_ok=True)
        stamp = f"{datetime.now():%Y%m%dT%H%M%S}"
        plan = Plan(
            self._stand,
            self._port,
            folder / f"{stamp}_{name.replace(' ', '-')}.journal",
            {
                "schema": 1,
                "setup": f"rig check --turn: {name}",
                "stand": stand_to_dict(self._stand),
                "port": self._port,
            },
            seconds=LONGEST_DRIVE_S,
            soak_s=SOAK_S,
            automatic=False,
        )
        ended = self._carrier(plan, lambda tell: _Scripted(self._out, script, tell))
        if ended.journal is not None and (ended.exit_code == DONE or script.is_done):
            ended.journal.unlink(missing_ok=True)
        elif ended.journal is not None:
            self._say(f"    journal: {ended.journal}")
        return ended

    def _end(self, ended: Ended) -> None:
        result = self.result
        result.outcome, result.exit_code = ended.outcome, ended.exit_code or LINK_LOST
        result.cause, result.to_do = ended.cause, ended.to_do

    def _found(self, finding: Finding) -> None:
        self.result.findings.append(finding)
        self._say(f"{finding.verdict:<12}  {finding.what}: {finding.words}")
        if finding.good is False:
            self.result.outcome, self.result.exit_code = "wrong", LINK_LOST
            self.result.cause = f"{finding.what}: {finding.words}"

    def _say(self, words: str) -> None:
        print(plain(words), file=self._out, flush=True)


class _Scripted(Printer):
    """Prints as a run without a screen does, and lets the script act on each snapshot."""

    def __init__(self, out: TextIO, script: Script, tell: Callable[[Order], None]) -> None:
        super().__init__(out, False, tell)
        self._script, self._give = script, tell

    def status(self, snapshot: Snapshot) -> None:
        """Act first, then print."""
        for order in self._script.on(snapshot):
            self._give(order)
        super().status(snapshot)


def _must_obey(hello: Hello) -> None:
    lacks = {
        "S": "S (it obeys stop, and cuts when the host is silent)",
        "T": "T (it drives the throttle)",
    }
    missing = [words for letter, words in lacks.items() if letter not in hello.abilities]
    if missing:
        raise SettingsError(
            f"this board cannot be checked with power: it lacks {' and '.join(missing)}",
            where="part 2, powered",
            to_do="Its stop cannot be proven from here: only your hand at the supply can stop this "
            "motor. Firmware that can: `rig firmware`, or firmware_protocol.md.",
        )


def _not_tried(hello: Hello, has_input: bool) -> dict[str, Way]:
    """Each way; `words` say why one is not tried."""
    return {
        STOP: Way(None),
        SILENCE: Way(None),
        LIMIT: Way(None, words="" if hello.can_limit else "the board holds no limits"),
        STOP_INPUT: Way(None, words="" if has_input else "the board has none"),
    }
