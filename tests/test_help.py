"""`rig help`: its pages are what the code says, and their examples can be used."""

from __future__ import annotations

import pytest
from typer.main import get_command

from rig import help as pages
from rig.cli import app
from rig.errors import SettingsError
from rig.help.pages import made
from rig.jobs import JOBS, ByJob
from rig.stand.model import SENSORS
from rig.stand.settings import TABLES_AND_KEYS, parse_stand

MADE = made()


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
