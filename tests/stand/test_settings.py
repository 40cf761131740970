"""stand.toml: read back as written, and every mistake named at once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import SettingsError
from rig.stand.settings import (
    StandError,
    demo_stand,
    parse_stand,
    stand_from_dict,
    stand_to_dict,
)

TEN_MISTAKES = """
naem = "x"
baud = -1
[channels.current]
sensor = "shunt"
shunt_ohm = -1
gian = 3
[channels.power]
sensor = "shunt"
[channels.motor]
sensor = "thermometer"
[limits]
stale_s = 0
[limits.sped]
trip_over = 5
[limits.motor]
warn_over = 5
trip_over = 4
[limits.overcurrent]
curve = "G"
pickup_a = 3
[tachometer]
pulses_per_revolution = 0
"""


def test_ten_mistakes_are_named_at_once_each_with_what_is_allowed() -> None:
    with pytest.raises(StandError) as error:
        parse_stand(TEN_MISTAKES, "stand.toml")
    keys = {mistake.key for mistake in error.value.mistakes}
    assert keys >= {
        "naem", "baud", "channels.current.shunt_ohm", "channels.current.gian",
        "channels.current.reference_v", "channels.power", "channels.motor.sensor",
        "limits.motor.warn_over", "limits.overcurrent.curve", "tachometer.pulses_per_revolution",
    }  # fmt: skip
    assert all(mistake.found and mistake.allowed for mistake in error.value.mistakes)
    assert "did you mean" in str(error.value)


def test_the_demo_stand_reads_back_as_it_was() -> None:
    assert stand_from_dict(stand_to_dict(demo_stand())) == demo_stand()


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["current", "value", "u", "sensor", "trip_over"]), inner)
    ),
    max_leaves=6,
)


PLACES = [
    ("channels",), ("channels", "current"), ("channels", "current", "gain"), ("tachometer",),
    ("limits",), ("limits", "current"), ("baud",), ("name",),
]  # fmt: skip


@given(st.sampled_from(PLACES), values)
def test_whatever_stands_in_the_file_the_answer_is_a_settings_error(
    place: tuple[str, ...], value: object
) -> None:
    table = stand_to_dict(demo_stand())
    inner = table
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    try:
        stand_from_dict(table)
    except SettingsError as error:
        assert str(error)


@given(st.text(max_size=60))
def test_any_text_gives_a_stand_or_a_settings_error(text: str) -> None:
    try:
        parse_stand(text, "stand.toml")
    except SettingsError as error:
        assert "stand.toml" in str(error)
