"""Who is at the stand: reads the cautions, types the word, turns, presses. Or a simulated one.

Nothing is asked while a motor may turn, but to press the stop input, which needs no keyboard.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import TextIO

from rig.errors import SettingsError
from rig.stop_proof import SIMULATED

HANDS_WORD, POWER_WORD = "off", "clear"
ASKED_AT_MOST = 3

BEFORE_HANDS = """
PART 1, BY HAND: nothing is armed, and nothing may be able to turn by itself.
  - Disconnect the motor's supply now: pull the plug of the pack, do not only
    switch it off.
  - A controller's capacitors stay charged for some seconds.
  - Take the propeller off, or keep clear of its edges: they cut also when
    turned by hand.
"""

NOT_SEEN = "  - This stand measures no voltage: nothing here can see that the supply is off.\n"

BEFORE_POWER = """
PART 2, POWERED: the motor turns BY ITSELF, up to {ceiling:g} % throttle, several times.
  - The motor is clamped so that it cannot leave. Propeller: {propeller}.
  - With a propeller: nobody in its plane, a shield around it. Without: nothing
    loose on the shaft.
  - Hands, hair and clothes away; eyes protected; nobody else near who does not
    know.
  - A hand-operated cut in the supply within reach. This check stops the motor
    by software, and part of it is to find out whether that works: be ready to
    use the cut.
  - The pack where a fire can burn out. The local rules for packs and rotating
    machines hold.
  Connect the supply now. Ctrl+C stops the motor at any moment.
"""


@dataclass(frozen=True, slots=True)
class Answers:
    """What the tester said beforehand. `attended`: somebody is there, though no terminal is."""

    propeller: str | None = None
    """`on` or `off`."""
    stop_input: bool | None = None
    attended: bool = False


class Tester:
    """A person at a terminal, or one who has answered all beforehand."""

    def __init__(self, answers: Answers, out: TextIO) -> None:
        self._answers, self._out = answers, out

    def before_hands(self, turns: int, *, sees_voltage: bool) -> None:
        """Cautions and the word. Raises SettingsError where nobody confirms."""
        self._say(BEFORE_HANDS if sees_voltage else BEFORE_HANDS + NOT_SEEN)
        if turns:
            self._say(f"Then turn the shaft with the marks {_times(turns)} when it says so.")
        self._confirm(HANDS_WORD, "the supply is disconnected")

    def before_power(self, ceiling_pct: float) -> tuple[str, bool]:
        """Questions, cautions, the word; the propeller (`on`, `off`), and a stop input if any."""
        propeller = self._answers.propeller
        if propeller is None:
            propeller = self._ask(
                "Is a propeller or rotor on the shaft?", ("on", "off"), "propeller"
            )
        has_input = self._answers.stop_input
        if has_input is None:
            question = "Has the board a stop input that is wired?"
            has_input = self._ask(question, ("yes", "no"), "stop-input") == "yes"
        self._say(BEFORE_POWER.format(ceiling=ceiling_pct, propeller=propeller))
        self._confirm(POWER_WORD, "everybody is clear and a hand is at the cut")
        return propeller, has_input

    def turn(self, turns: int) -> None:
        """Ask for it."""
        self._say(f">>> Turn the shaft with the marks {_times(turns)} by hand now, then leave it.")

    def press(self) -> None:
        """Ask for it."""
        self._say(">>> Press the stop input now, and keep clear.")

    def port_name(self, port: str) -> str:
        """By what name the proof of this port is kept."""
        return port

    def _confirm(self, word: str, meaning: str) -> None:
        if not sys.stdin.isatty():
            if self._answers.attended:
                return
            raise SettingsError(
                "there is no terminal on which somebody at the stand can confirm",
                where="rig check --turn",
                to_do="Run it in a terminal; --attended says that somebody has read the cautions "
                "and stands there.",
            )
        self._say(f"Type {word!r} when {meaning};\nanything else ends the check.")
        if self._read() != word:
            raise SettingsError("not confirmed: nothing was done", where="rig check --turn")

    def _ask(self, question: str, choices: tuple[str, str], option: str) -> str:
        if not sys.stdin.isatty():
            raise SettingsError(f"{question} Say so with --{option}", where="rig check --turn")
        for _ in range(ASKED_AT_MOST):
            self._say(f"{question} {' or '.join(choices)}:")
            if (answer := self._read()) in choices:
                return answer
        raise SettingsError(f"{' or '.join(choices)} was asked", where=f"--{option}")

    def _read(self) -> str:
        return sys.stdin.readline(100).strip().lower()

    def _say(self, words: str) -> None:
        print(words, file=self._out, flush=True)


class Simulated(Tester):
    """The hands at a simulated stand. `happen` takes the events of `rig.simulator.board`."""

    def __init__(self, answers: Answers, out: TextIO, happen: Callable[[str], None]) -> None:
        super().__init__(answers, out)
        self._happen = happen

    def before_hands(self, turns: int, *, sees_voltage: bool) -> None:  # noqa: ARG002
        """Nobody can be hurt: no word is asked."""
        self._say(BEFORE_HANDS)
        self._happen("supply off")

    def before_power(self, ceiling_pct: float) -> tuple[str, bool]:
        """As the answers say; else the propeller is on, and there is a stop input."""
        propeller = self._answers.propeller or "on"
        self._say(BEFORE_POWER.format(ceiling=ceiling_pct, propeller=propeller))
        self._happen("supply on")
        return propeller, self._answers.stop_input is not False

    def turn(self, turns: int) -> None:
        """Do it."""
        super().turn(turns)
        for _ in range(turns):
            self._happen("turn")

    def press(self) -> None:
        """Do it."""
        super().press()
        self._happen("button")

    def port_name(self, port: str) -> str:  # noqa: ARG002 - it has another one each time
        """One name for all simulated boards."""
        return SIMULATED


def _times(turns: int) -> str:
    return "once" if turns == 1 else f"{turns} times"
