"""Faults put into the session on purpose: `python -m tests.recorder.mutations`, a table.

Each is applied to a copy of the project, and the recorder's in-process tests must fail there.
A change that the tests let pass is a rule that nothing holds.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
SESSION, STOPPING, STATES, LINK_LOSS = (
    f"rig/recorder/{name}.py" for name in ("session", "stopping", "states", "link_loss")
)
ARMING, DRIVING, ENDING = (f"rig/recorder/{name}.py" for name in ("arming", "driving", "ending"))
TALK, PROOF = "rig/recorder/conversation.py", "rig/recorder/proof.py"
ZEROING = "rig/recorder/zeroing.py"
LIMITS, RESTING = "rig/stand/limits.py", "rig/stand/resting.py"


@dataclass(frozen=True, slots=True)
class Mutation:
    """`old`, which must stand in `file` once, becomes `new`."""

    name: str
    file: str
    old: str
    new: str

    def applied_to(self, root: Path) -> None:
        """Change the file below `root`. ValueError where the text is not there once."""
        path = root / self.file
        text = path.read_text()
        if text.count(self.old) != 1:
            raise ValueError(f"{self.name}: {self.old!r} stands {text.count(self.old)} times")
        path.write_text(text.replace(self.old, self.new))


MUTATIONS = (
    Mutation("a stop is proven without the board's cut bit", STOPPING,
             "if obeys and not sample.status & _CUT:", "if False:"),
    Mutation("a stop is proven whatever the readings are", STOPPING,
             "return self._proof.holds(values, unusable)", "return True"),
    Mutation("a speed that is read late is a stop that failed", PROOF,
             "return replace(self, speed_rpm=speed_rpm)", "return self"),
    Mutation("a speed that rises long after the stop is what must fall", PROOF,
             "0.0 <= after_s <= SPEED_LATE_S and ", ""),
    Mutation("a glitch after the stop is what must fall", STOPPING,
             'if "speed_rpm" not in unusable:', "if True:"),
    Mutation("heartbeats go on while stopping", STATES,
             "HEARTBEATS = frozenset({State.ARMING, State.ARMED, State.RUNNING})",
             "HEARTBEATS = frozenset({State.ARMING, State.ARMED, State.RUNNING, State.STOPPING})"),
    Mutation("no heartbeats while running", STATES,
             "HEARTBEATS = frozenset({State.ARMING, State.ARMED, State.RUNNING})",
             "HEARTBEATS = frozenset({State.ARMING, State.ARMED})"),
    Mutation("heartbeats come half as often", DRIVING,
             "silence_s < commands.HEARTBEAT_EVERY_S or",
             "silence_s < 2 * commands.HEARTBEAT_EVERY_S or"),
    Mutation("arms although a limit is passed", ARMING,
             "        if verdict is None:\n            return True\n", "        return True\n"),
    Mutation("does not judge a limit at rest", RESTING,
             "    _plan, _limits, _clipped,", "    _plan, _clipped,"),
    Mutation("does not judge a current at rest", RESTING,
             "_missing, _current, _supply,", "_missing, _supply,"),
    Mutation("does not judge the supply at rest", RESTING, "_current, _supply,", "_current,"),
    Mutation("an automatic run does not wait for the stand at rest", ARMING,
             "if run.rest is None or not run.rest.is_enough(now_s - run.since_s):",
             "if run.rest is None or not run.readings.newest:"),
    Mutation("arms although a limit with a hold is passed", RESTING,
             "        guard.check(newest.time_s - HELD_AT_REST_S, newest)\n", "        pass\n"),
    Mutation("arms on old readings", RESTING,
             "    guard.check_time(silence_s, 0.0, None)\n", ""),
    Mutation("limits are not judged while arming", "rig/vocabulary.py",
             "{State.ARMING, State.ARMED, State.RUNNING, State.STOPPING, State.UNPROVEN}",
             "{State.ARMED, State.RUNNING, State.STOPPING, State.UNPROVEN}"),
    Mutation("no stop on giving up", ENDING,
             "        if run.state not in (State.LINKING, State.READY, State.COASTING):\n"
             "            self.send_stop(now_s)\n", ""),
    Mutation("no stop when the run is stopped", ENDING,
             "        if not told:\n            self.send_stop(now_s)\n", ""),
    Mutation("no stop at the moment of a trip", ENDING,
             "        if allows(self._run.state, Happening.STOP):\n"
             "            self.send_stop(self._run.now_s)\n", "        pass\n"),
    Mutation("a trip does not stop the run", ENDING,
             "if alarm.severity == Severity.TRIP:", "if False:"),
    Mutation("a board may write the host's lines", SESSION,
             'b"?" + line if line.startswith(b"!") else line', "line"),
    Mutation("no silence before an unproven stop is repeated", STOPPING,
             "if now_s - self._quiet_since_s < QUIET_BEFORE_STOP_AGAIN_S:", "if False:"),
    Mutation("an unproven stop is never repeated", STOPPING,
             "if now_s - self._quiet_since_s < QUIET_BEFORE_STOP_AGAIN_S:", "if True:"),
    Mutation("the stop key breaks the silence", ENDING,
             "            case State.UNPROVEN:\n                self.repeat_stop(now_s)\n"
             "            case State.LINKING:",
             "            case State.UNPROVEN:\n                self.send_stop(now_s)\n"
             "            case State.LINKING:"),
    Mutation("an unproven stop never gives up", ENDING,
             "if in_state_s >= UNPROVEN_AT_MOST_S:", "if False:"),
    Mutation("a stop that is not effective is not said", ENDING,
             "        run.notes.say(said, now_s, loud=True)\n", ""),
    Mutation("a stop that is never proven stays in stopping", ENDING,
             "                    self._not_proven(now_s)\n", "                    pass\n"),
    Mutation("unanswered commands are not told again", TALK,
             "if now_s - owed.last_s >= AGAIN_AFTER_S:", "if False:"),
    Mutation("what was told before a stop is told again after it", TALK,
             "            self._owed.clear()\n        if not", "            pass\n        if not"),
    Mutation("a cut for silence is not noticed in the status bits", SESSION,
             "elif status & _CUT and run.armed:", "elif False:"),
    Mutation("a cut after the stop does not change the verdict", ENDING,
             "if run.state in STOPPED_STATES and run.verdict.exit_code == DONE:", "if False:"),
    Mutation("a report of a cut is ignored", SESSION,
             "                    self._on_cut(record.cause, record.where, now_s)\n",
             "                    pass\n"),
    Mutation("a new boot number is ignored", SESSION,
             "record.boot != known.boot:", "False:"),
    Mutation("a recorder that stood still goes on", DRIVING,
             "if commands.HEARTBEAT_LOST_S <= silence_s < math.inf:", "if False:"),
    Mutation("the motor starts before the board was armed", ARMING,
             "        if isinstance(settled, commands.Arm):", "        if settled is not None:"),
    Mutation("the board is armed before it holds the limits", ARMING,
             "        elif self._to_hold:\n", "        elif False:\n"),
    Mutation("a refusal is taken for consent", SESSION,
             "elif not answer.accepted:", "elif False:"),
    Mutation("arms while a zero is being taken", ARMING,
             "        if self._zeroing.going_on:\n", "        if False:\n"),
    Mutation("goes on with a zero that the board did not say", ARMING,
             "self._ending.give_up(verdicts.ZERO_NOT_KNOWN, now_s)", "pass"),
    Mutation("takes a zero while the rotor turns", ZEROING,
             'values.get("speed_rpm", 0.0) != 0.0', "False"),
    Mutation("takes a current that flows for a zero error", ZEROING,
             "not abs(value) <= NEAR_NOTHING * scale", "False"),
    Mutation("a stop is not proven where the reference is not known", STOPPING,
             "if word != NO_REFERENCE", "if True"),
    Mutation("a board that does not answer is armed all the same", ARMING,
             "(overdue := run.talk.overdue(now_s)) is not None:", "(overdue := None):"),
    Mutation("a front that stands still is ignored", SESSION,
             "            self._ending.stop(verdicts.FRONT_SILENT, now_s)\n", "            pass\n"),
    Mutation("a front that is gone is ignored", SESSION,
             "            self._ending.stop(verdicts.FRONT_LOST, now_s)\n", "            pass\n"),
    Mutation("a lost link stops nothing", LINK_LOSS,
             "        self._ending.stop(verdicts.link_lost(reason), now_s)\n", ""),
    Mutation("a link that is back is not told to stop", LINK_LOSS,
             "        if run.state in (State.STOPPING, State.UNPROVEN):\n"
             "            self._ending.send_stop(now_s)\n", "        if True:\n"),
    Mutation("a lost link is waited for without end", LINK_LOSS,
             "elif now_s - lost_s >= LINK_BACK_WITHIN_S:", "elif False:"),
    Mutation("a disk that refuses stops nothing", SESSION,
             "            self._ending.stop(verdict, now_s)\n"
             "        else:\n            self.run.verdict",
             "            pass\n        else:\n            self.run.verdict"),
    Mutation("an event that the table lacks is passed over", STATES,
             'raise IllegalEventError(f"{happening.name} in state {state.name}") from None',
             "return state"),
    Mutation("a clipped current proves a stop", PROOF, "name not in unusable and ", ""),
)  # fmt: skip

FILES = [
    f"tests/recorder/test_{name}.py"
    for name in ("session", "parts", "zero", "reference", "stories", "before_arming")
]
TESTS = ("-m", "pytest", "-n", "0", "-q", "-x", "-p", "no:cacheprovider", *FILES)


def survivors(mutations: Sequence[Mutation], command: Sequence[str]) -> list[str]:
    """The names of those with which `command`, run in a changed copy, still succeeds."""
    alive = []
    for mutation in mutations:
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder)
            for part in ("rig", "tests"):
                shutil.copytree(
                    ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__")
                )
            shutil.copy(ROOT / "pyproject.toml", copy)
            mutation.applied_to(copy)
            done = subprocess.run(
                [sys.executable, *command], cwd=copy, capture_output=True, text=True, check=False
            )
        lines = done.stdout.splitlines()
        last = next((line for line in lines if "FAILED" in line or line.startswith("seed")), "")
        if done.returncode and not last:
            last = (done.stderr or done.stdout).strip().splitlines()[-1]
        print(f"{'killed' if done.returncode else 'SURVIVED':9} {mutation.name:55} {last[:90]}",
              flush=True)  # fmt: skip
        if not done.returncode:
            alive.append(mutation.name)
    return alive


def main() -> int:
    """The table; 1 when a mutation survives."""
    wanted = [m for m in MUTATIONS if all(word in m.name for word in sys.argv[1:])]
    alive = survivors(wanted, TESTS)
    print(f"{len(wanted) - len(alive)} of {len(wanted)} killed")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
