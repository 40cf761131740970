"""`rig help`: its pages are what the code says, and their examples can be used."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from itertools import chain
from pathlib import Path

import pytest
from typer.main import get_command

from rig import errors
from rig import help as pages
from rig.cli import app
from rig.cli.jobs import JOBS, ByJob
from rig.errors import SettingsError
from rig.help.pages import made
from rig.recorder.outcomes import EXIT_CODES, OUTCOMES
from rig.stand.causes import CAUSES
from rig.stand.model import SENSORS
from rig.stand.settings import TABLES_AND_KEYS, parse_stand
from rig.vocabulary import STALE, RunOutcome

MADE = made()
RIG = Path(pages.__file__).parents[1]


@pytest.mark.parametrize("topic", pages.TOPICS)
def test_a_page_is_what_the_code_says(topic: str) -> None:
    assert pages.page(topic) == MADE[topic], "write them anew: python -m rig.help"


def test_every_key_has_a_sentence() -> None:
    rows = [line for line in MADE["stand"].splitlines() if line.startswith("| ")]
    assert len(rows) > 50
    assert not [row for row in rows if not row.startswith("| key") and row.endswith("|  |")]


@pytest.mark.parametrize("kind", SENSORS)
def test_the_example_of_a_sensor_can_be_used(kind: str) -> None:
    (channel,) = parse_stand(SENSORS[kind].example, "example").channels
    assert channel.sensor.kind == kind


def test_an_unknown_topic_is_one_message_with_the_nearest_one() -> None:
    with pytest.raises(SettingsError, match=r"no topic 'stnd'") as told:
        pages.page("stnd")
    assert "stand" in told.value.to_do


def test_every_command_has_its_place_in_the_help() -> None:
    named = [name for names in JOBS.values() for name in names]
    assert len(named) == len(set(named))
    commands = get_command(app)
    assert isinstance(commands, ByJob)
    assert set(commands.commands) <= set(named)


def test_every_table_of_the_stand_is_on_its_page() -> None:
    page = MADE["stand"]
    for name in TABLES_AND_KEYS:
        assert f"[{name}" in page or f"| {name} |" in page, name


@cache
def nodes() -> dict[str, list[ast.AST]]:
    """The code, by file; that of the screen and the reports makes no alarm and ends no run."""
    folders = ("stand", "recorder", "captures", "proving")
    paths = [path for folder in folders for path in (RIG / folder).rglob("*.py")]
    return {str(path): list(ast.walk(ast.parse(path.read_text("utf-8")))) for path in paths}


def calls() -> Iterator[tuple[str, ast.Call]]:
    """Every call by a plain name or a method's name, with that name."""
    for node in chain.from_iterable(nodes().values()):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
            yield getattr(node.func, "id", getattr(node.func, "attr", "")), node


def words(but: str) -> set[str]:
    """Every string in the code, but that of one file."""
    of_others = chain.from_iterable(
        found for name, found in nodes().items() if not name.endswith(but)
    )
    found = (node.value for node in of_others if isinstance(node, ast.Constant))
    return {value for value in found if isinstance(value, str)}


def test_every_cause_of_an_alarm_is_on_its_page() -> None:
    known = {cause.name for cause in CAUSES}
    assert len(known) == len(CAUSES)
    place = {"Alarm": 3, "Doubt": 1, "_trip": 5}
    named = set()
    for name, call in calls():
        if name in place:
            given = [k.value for k in call.keywords if k.arg == "cause"]
            given += call.args[place[name] : place[name] + 1]
            named |= {word for g in given if (word := word_of(g))}
    assert {"stale", "reversed", "stop not effective"} <= named
    assert named <= known, "add a row to rig/stand/causes.py"
    said = words("stand/causes.py") | {*RunOutcome, STALE}
    assert known <= said, "rig/stand/causes.py has a cause that no code gives"


def test_every_outcome_is_on_its_page() -> None:
    named: set[str] = set()
    for name, call in calls():
        if name == "Ended" and (outcome := word_of(call.args[0])):
            named.add(outcome)
            if isinstance(code := call.args[1], ast.Name):
                assert getattr(errors, code.id) in OUTCOMES[RunOutcome(outcome)].exit_codes
    assert {"done", "not armed", "stop not seen"} <= named
    assert set(OUTCOMES) == set(RunOutcome), "add a row to rig/recorder/outcomes.py"


def word_of(node: ast.expr) -> str:
    """A word that is written out, or named from the vocabulary; empty for anything else."""
    match node:
        case ast.Constant(value=str(word)):
            return word
        case ast.Attribute(value=ast.Name(id="RunOutcome"), attr=name):
            return RunOutcome[name].value
        case ast.Name(id="STALE"):
            return STALE
    return ""


def test_every_exit_code_is_on_its_page_and_in_the_readme() -> None:
    codes = {value for value in vars(errors).values() if type(value) is int}
    assert set(EXIT_CODES) == codes
    readme = (RIG.parent / "README.md").read_text(encoding="utf-8")
    assert set(map(int, re.findall(r"(?m)^\| (\d) \|", readme))) >= codes
