"""stand.toml in other people's hands: what goes together, and what a terminal may see."""

import json
import math
import pickle
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import SettingsError
from rig.stand.model import NtcSteinhart
from rig.stand.settings import (
    StandError,
    demo_stand,
    load_stand,
    parse_stand,
    stand_from_dict,
    stand_to_dict,
)

CURRENT = """
[channels.current]
board_label = "shunt"
sensor = "shunt"
shunt_ohm = 0.001
reference_v = 5
"""


def mistakes(text: str) -> list[tuple[str, str]]:
    with pytest.raises(StandError) as caught:
        parse_stand(text, "stand.toml")
    return [(mistake.key, mistake.found) for mistake in caught.value.mistakes]


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (CURRENT.replace('"shunt"\nshunt', '"divider"\nshunt'), "channels.current.upper_ohm"),
        ('[channels.motor]\nsensor = "line"\nintercept = 1.0\nslope = 0.0', "channels.motor.slope"),
        (
            '[channels.motor]\nsensor = "shunt"\nshunt_ohm = 1\nreference_v = 5',
            "channels.motor.sensor",
        ),
        (
            '[channels.thrust]\nsensor = "load-cell"\nper_count = 1.0\narm_m = 0.2',
            "channels.thrust.arm_m",
        ),
        (
            '[channels.motor]\nsensor = "line"\nintercept = 1\nslope = 2\n'
            "covariance = [[1, 3], [3, 4]]",
            "channels.motor.covariance",
        ),
        (
            f'{CURRENT}[channels.torque]\nboard_label = "shunt"\nsensor = "load-cell"\n'
            "per_count = 1.0",
            "channels.torque.board_label",
        ),
        (f"{CURRENT}gain = {{value = 50, tolerance = 1, u = 2}}", "channels.current.gain"),
        (f"{CURRENT}gain = {{value = 50, tolerance_pct = -1}}", "channels.current.gain"),
        (f'{CURRENT}gain = "50"', "channels.current.gain"),
        (f"{CURRENT}[limits.current]\ntrip_over = true", "limits.current.trip_over"),
        (f"{CURRENT}[limits.current]\nwarn_over = 9\ntrip_over = 8", "limits.current.warn_over"),
        (f"{CURRENT}[limits.current]\nwarn_under = 1\ntrip_under = 2", "limits.current.warn_under"),
        (f"{CURRENT}[limits.current]\ntrip_under = 5\ntrip_over = 2", "limits.current.trip_under"),
        (f"{CURRENT}[limits.power]\ntrip_over = 9", "limits.power"),
        ("[limits.speed]\ntrip_over = 9", "limits.speed"),
        ("[limits.overcurrent]\ncurve = 'A'\npickup_a = 1", "limits.overcurrent"),
        (f"{CURRENT}[limits]\ncells = 6\ncell_trip_v = 3.2", "limits.cells"),
        (f"{CURRENT}[limits]\ncell_trip_v = 3.2", "limits.cells"),
        ("[limits]\nstale_s = inf", "limits.stale_s"),
        ("baud = 115200.0", "baud"),
        ("port = 7", "port"),
        ("limits = 3", "limits"),
        ('name = "\\u001b[2J"', "name"),
    ],
)
def test_a_mistake_is_named_by_its_key(text: str, key: str) -> None:
    assert key in [found for found, _ in mistakes(text)]


def test_a_misspelt_key_is_met_with_the_nearest() -> None:
    with pytest.raises(StandError, match="gain"):
        parse_stand(f"{CURRENT}gian = 50", "stand.toml")
    with pytest.raises(StandError, match="speed"):
        parse_stand("[tachometer]\npulses_per_revolution=2\n[limits.sped]\ntrip_over=1", "x")


def test_toml_that_is_none_says_where() -> None:
    with pytest.raises(SettingsError, match="line 2"):
        parse_stand('name = "a"\nbaud = = 3\n', "stand.toml")


@pytest.mark.parametrize(
    "text",
    [
        '[channels."\\u001b[31m"]\nsensor = "x"',
        '"\\u001b \\u202e" = 1',
        'baud = "\\u001b[31m red"',
        '[limits.motor]\n"\\u001b" = 1',
        f"baud = 0x{'F' * 6000}",
        f"baud = {'9' * 5000}",
        f"baud = {'[' * 5000}",
    ],
)
def test_what_is_found_cannot_speak_to_the_terminal(text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_stand(text, "stand.toml")
    said = str(caught.value)
    assert said.replace("\n", "").isprintable() and said.isascii()
    assert len(said) < 600


@pytest.mark.parametrize("raw", [None, [], "x", 3])
def test_a_stand_that_is_no_table(raw: object) -> None:
    with pytest.raises(StandError, match="a table"):
        stand_from_dict(raw)


# Text that gets past the first character of a TOML reader more often than chance would.
scalars = st.one_of(
    st.integers().map(str),
    st.floats().map(repr),
    st.sampled_from(["true", "1979-05-27", "07:32:00", "nan", "-inf", "[]", "{}", "[[1, 2], 3]"]),
    st.sampled_from(
        ["{value = 1, u = 1}", "{value = 'x'}", "{value = 1e308, tolerance_pct = 1e9}"]
    ),
    st.text(max_size=6).map(json.dumps),
)
KEYS = """
name port baud channels tachometer limits sensor board_label shunt_ohm gain points a b c slope
covariance kind value u curve pickup_a cells cell_trip_v warn_over levels
"""
keys = st.sampled_from(KEYS.split())
heads = st.sampled_from(
    ["", "[limits]", "[limits.current]", "[limits.overcurrent]", "[tachometer]", "[channels]"]
    + [f'[channels.{key}]\nsensor = "{kind}"' for key, kind in [
        ("current", "shunt"), ("motor", "ntc-steinhart"), ("voltage", "line"), ("x", "pt100"),
        ("torque", "load-cell"), ("pack", "digital"), ("motor", "ntc-beta")]]
)  # fmt: skip
lines = st.tuples(keys, scalars).map(" = ".join)
documents = st.lists(st.one_of(lines, heads), max_size=12).map("\n".join)


@given(documents)
def test_any_toml_gives_a_stand_or_a_settings_error(text: str) -> None:
    try:
        stand = parse_stand(text, "stand.toml")
    except SettingsError as error:
        assert str(error)
    else:
        assert stand_from_dict(json.loads(json.dumps(stand_to_dict(stand)))) == stand


def test_the_demo_stand_travels() -> None:
    stand = demo_stand()
    assert pickle.loads(pickle.dumps(stand)) == stand
    assert stand_from_dict(json.loads(json.dumps(stand_to_dict(stand)))) == stand
    assert {channel.board_label for channel in stand.channels} == {
        "shunt", "pack", "motor", "controller", "cells"
    }  # fmt: skip


def test_tolerances_become_standard_uncertainties() -> None:
    """JCGM 100:2008 4.3.7: a rectangular distribution's u is its half-width / sqrt(3)."""
    text = CURRENT.replace("0.001", "{value = 0.002, tolerance_pct = 0.5}")
    text += "gain = {value = 50, u = 0.1}\noffset_v = {value = -1, tolerance = 0.3}"
    sensor = parse_stand(text, "x").channels[0].sensor
    assert sensor.shunt_ohm.u == pytest.approx(1e-5 / math.sqrt(3))  # type: ignore[union-attr]
    assert sensor.gain.u == 0.1  # type: ignore[union-attr]
    assert sensor.offset_v.u == pytest.approx(0.3 / math.sqrt(3))  # type: ignore[union-attr]


def test_three_points_stand_for_a_b_and_c() -> None:
    text = '[channels.motor]\nsensor = "ntc-steinhart"\nseries_ohm = 10000\n'
    points = "points = [[25000, 5], [10000, 25], [4000, 45]]"
    sensor = parse_stand(text + points, "x").channels[0].sensor
    assert isinstance(sensor, NtcSteinhart)
    assert sensor.a.value == pytest.approx(2.108508173e-3, rel=1e-9)
    assert mistakes(text + "points = [[1, 2]]")[0][0] == "channels.motor.points"


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no such file"):
        load_stand(tmp_path / "none.toml")
    with pytest.raises(SettingsError):
        load_stand(tmp_path)
    (tmp_path / "bytes.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(SettingsError, match="UTF-8"):
        load_stand(tmp_path / "bytes.toml")


def test_the_recorders_part_of_the_room_is_light() -> None:
    """What the recorder imports brings in no heavy library."""
    code = (
        "import sys, rig.stand.sampler, rig.stand.limits, rig.stand.calibration\n"
        "heavy = 'pandas pyarrow pydantic scipy uncertainties textual'.split()\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
