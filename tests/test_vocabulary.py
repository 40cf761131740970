"""The words that files hold: their values, and that nobody writes them out a second time."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from rig import vocabulary
from rig.vocabulary import AlarmState, Rank, RunOutcome, Severity, State

RIG = Path(vocabulary.__file__).parent
WORDS = {word.value for words in (State, RunOutcome, Severity, AlarmState) for word in words}
WORDS |= {Rank.CALM.value, Rank.TODO.value, Rank.DANGER.value, vocabulary.STALE}

NOT_OF_OURS = {
    ("analysis/passed.py", Severity.TRIP),  # a verb of a sentence
    ("screen/levels.py", Severity.TRIP),  # the name of a level
    ("screen/after.py", RunOutcome.DONE),  # the id of a key
    ("demo.py", Severity.TRIP),  # names of setups, and a key of the demo's JSON
    ("demo.py", RunOutcome.CUT_OFF),
    ("demo.py", RunOutcome.TRIPPED),
}
"""Places where the same letters mean something else."""


def literals(path: Path) -> Iterator[str]:
    """All strings of a file."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_no_word_is_written_out_elsewhere() -> None:
    found = {
        (path.relative_to(RIG).as_posix(), text)
        for path in RIG.rglob("*.py")
        if path.name != "vocabulary.py"
        for text in literals(path)
        if text in WORDS
    }
    assert found == NOT_OF_OURS


def test_the_values_are_those_that_files_hold() -> None:
    """As captures, journals and JSON of 0.1.0 have them."""
    assert [*State] == [
        "linking", "ready", "arming", "armed", "running", "stopping", "unproven", "coasting",
        "ended",
    ]  # fmt: skip
    assert [*RunOutcome] == [
        "done", "tripped", "operator", "link lost", "front lost", "stop not seen",
        "stop not effective", "recorder failed", "recorder lost", "disk", "settings", "not armed",
        "not zeroed", "not proven", "cut off", "imported",
    ]  # fmt: skip
    assert [*Severity] == ["warning", "trip", "cleared"]
    assert ("imported", *State, "unknown") == vocabulary.PHASES


def test_a_word_prints_as_the_plain_string() -> None:
    assert (repr(State.READY), f"{State.READY}") == (repr("ready"), "ready")


def test_after_an_unseen_stop_the_motor_may_turn() -> None:
    turning = {"recorder lost", "stop not effective", "stop not seen"}
    assert turning == vocabulary.MAY_STILL_TURN
