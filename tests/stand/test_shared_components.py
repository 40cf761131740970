"""What cancels in a ratio of two runs: components, the converter's errors, the reference."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rig.protocol.records import Channel, Hello
from rig.stand.model import (
    ChannelSettings,
    Converter,
    Divider,
    Line,
    NtcBeta,
    Parameter,
    PositiveParameter,
    Shunt,
    Stand,
)
from rig.stand.sampler import Sampler
from rig.stand.settings import StandError, demo_stand, parse_stand, stand_from_dict, stand_to_dict
from rig.stand.uncertainty import Components
from tests.stand.boards import LABELS, channel, channels, hello

EXACT = Converter(linearity_counts=0.0, reference_drift_pct=0.0)
MEANS = {"current_a": 60.0, "voltage_v": 22.0, "power_w": 1320.0, "speed_rpm": 9000.0}


def measured(
    stand: Stand, means: Mapping[str, float], shared: Components, **board: Any
) -> dict[str, Any]:
    made: Hello = replace(hello(), **board.pop("hello", {}))
    inputs: list[Channel] = board.pop("channels", channels())
    return Sampler(stand, made, inputs, shared).measured(means, single=False)


def ratio_pct(first: Mapping[str, Any], second: Mapping[str, Any], column: str) -> float:
    """The relative standard uncertainty of a ratio of two readings, in percent."""
    ratio = second[column] / first[column]
    return float(100.0 * ratio.std_dev / ratio.nominal_value)


def demo(**changes: Any) -> Stand:
    return replace(demo_stand(), converter=EXACT, **changes)


def test_other_limits_and_names_leave_every_component_the_same() -> None:
    shared, stand = Components(), demo()
    other = demo(name="renamed", port="COM9", limits=replace(stand.limits, longest_run_s=1.0))
    first = measured(stand, MEANS, shared)
    second = measured(other, MEANS, shared, hello={"boot": 99, "firmware": "2.0"})
    for column in MEANS:
        assert ratio_pct(first, second, column) < 1e-9
    # Without a common set of components nothing cancels.
    apart = measured(other, MEANS, Components())
    assert ratio_pct(first, apart, "speed_rpm") == pytest.approx(0.5 / 3**0.5 * 2**0.5)


def test_a_new_shunt_is_the_only_other_component() -> None:
    shared, stand = Components(), demo()
    current, *rest = stand.channels
    shunt = current.sensor
    assert isinstance(shunt, Shunt)
    u = 0.001 * 0.00075
    new = replace(current, sensor=replace(shunt, shunt_ohm=PositiveParameter(0.00076, u)))
    second = measured(demo(channels=(new, *rest)), MEANS, shared)
    first = measured(stand, MEANS, shared)
    shunts_pct = 100.0 * math.hypot(0.0025 / 3**0.5, u / 0.00076)
    # The offset is one and the same, and nearly cancels; gain and reference cancel.
    assert ratio_pct(first, second, "current_a") == pytest.approx(shunts_pct, rel=0.01)
    assert ratio_pct(first, second, "voltage_v") < 1e-9
    assert ratio_pct(first, second, "speed_rpm") < 1e-9


def test_another_board_is_other_components() -> None:
    shared = Components()
    first = measured(demo(), MEANS, shared)
    second = measured(demo(), MEANS, shared, hello={"board": "another"})
    assert ratio_pct(first, second, "speed_rpm") > 0.4


@pytest.mark.parametrize(
    "sensor",
    [
        Shunt(PositiveParameter(0.00075, 2e-6), PositiveParameter(5.0, 0.01), Parameter(50.0, 0.1)),  # type: ignore[arg-type]
        Line(-3.0, 0.13, ((1e-2, -1e-5), (-1e-5, 1e-7)), 5),
    ],
)
def test_a_zero_taken_by_the_board_leaves_the_gain_the_same_component(
    sensor: Shunt | Line,
) -> None:
    shared = Components()
    stand = Stand("one", channels=(ChannelSettings("current", "x", sensor),), converter=EXACT)
    means = {"current_a": 40.0}
    first, second = (
        measured(stand, means, shared, channels=[channel(0, "x", zero)]) for zero in (31, 37)
    )
    assert ratio_pct(first, second, "current_a") < 1e-9
    # A run without a zero differs by the offset alone.
    without = measured(stand, means, shared, channels=[channel(0, "x")])["current_a"]
    alone = first["current_a"]
    assert (without - alone).std_dev < without.std_dev


def test_linearity_cancels_at_equal_counts_and_not_far_apart() -> None:
    """Against errors drawn per converter as the model has them: equal at equal counts, one step's
    size between neighbours, independent far apart."""
    stand = replace(demo_stand(), converter=Converter(1.0, 0.0))
    gainless = replace(
        stand,
        channels=(
            ChannelSettings(
                "voltage",
                "pack",
                Divider(*map(PositiveParameter, (56e3, 10e3, 5.0))),
            ),
        ),
    )
    volts_per_count = 5.0 / 1024 * 6.6
    sampler = Sampler(gainless, hello(), channels())

    def difference_counts(counts: float) -> float:
        pair = [
            sampler.measured({"voltage_v": volts_per_count * (600.0 + more)}, single=False)
            for more in (0.0, counts)
        ]
        return float((pair[1]["voltage_v"] - pair[0]["voltage_v"]).std_dev) / volts_per_count

    u = 1 / 2**0.5  # +-1 count, cyclic: JCGM 101:2008 6.4.6 (from memory)
    assert difference_counts(0.0) < 1e-6
    assert 0.0 < difference_counts(0.1) < 0.1
    assert difference_counts(1.0) == pytest.approx(0.39 * u, abs=0.03)
    assert difference_counts(20.0) == pytest.approx(2**0.5 * u, rel=1e-3)
    rises = [difference_counts(counts) for counts in np.arange(0.0, 9.0, 0.5)]
    assert rises == sorted(rises)


def test_the_reference_drifts_from_run_to_run() -> None:
    stand = replace(demo_stand(), converter=Converter(0.0, 0.05))
    sampler = Sampler(stand, hello(), channels())
    first, second = (
        sampler.measured(MEANS | {"speed_rpm": rpm}, single=False) for rpm in (9000.0, 9001.0)
    )
    one_pct = 0.05 / 3**0.5
    for column, times in (("voltage_v", 1.0), ("current_a", 1.0), ("power_w", 2.0)):
        expected = times * one_pct * 2**0.5
        assert ratio_pct(first, second, column) == pytest.approx(expected, rel=1e-3)
    # Asked again, a run has the drift it had.
    again = sampler.measured(MEANS | {"speed_rpm": 9000.0}, single=False)
    assert ratio_pct(first, again, "power_w") < 1e-9


def test_a_resistive_sensor_does_not_feel_its_reference() -> None:
    ntc = NtcBeta(*map(PositiveParameter, (10e3, 3977.0, 10e3)))
    channels_ = (ChannelSettings("motor", LABELS[2], ntc),)
    drifting = Stand("one", channels=channels_, converter=Converter(0.0, 5.0))
    found = Sampler(drifting, hello(), channels()).measured({"motor_degc": 60.0}, single=False)
    assert getattr(found["motor_degc"], "std_dev", 0.0) == 0.0


def test_old_stands_get_the_defaults_and_a_table_replaces_them() -> None:
    table = stand_to_dict(demo_stand())
    del table["converter"]
    assert stand_from_dict(table).converter == Converter(1.0, 0.05)
    given = parse_stand("[converter]\nlinearity_counts = 2.5\nreference_drift_pct = 0.2\n", "x")
    assert given.converter == Converter(2.5, 0.2)
    assert stand_from_dict(stand_to_dict(given)) == given


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[converter]\nlinearity_counts = -1", "converter.linearity_counts"),
        ("[converter]\nreference_drift_pct = 11", "converter.reference_drift_pct"),
        ("[converter]\nlinearity = 1", "linearity_counts"),
        ('[converter]\nlinearity_counts = "1"', "a number"),
        ("converter = 3", "a table"),
    ],
)
def test_a_wrong_converter_is_named(text: str, words: str) -> None:
    with pytest.raises(StandError, match=words):
        parse_stand(text, "x")


@pytest.mark.parametrize(("points", "good"), [(2, False), (3, True), (3.5, False)])
def test_a_line_says_how_many_points_it_was_fitted_to(points: float, good: bool) -> None:
    text = f"[channels.current]\nsensor = 'line'\nintercept = 0\nslope = 0.1\nfit_points = {points}"
    if good:
        (channel_,) = parse_stand(text, "x").channels
        assert isinstance(channel_.sensor, Line) and channel_.sensor.fit_points == 3
        assert stand_from_dict(stand_to_dict(parse_stand(text, "x"))).channels == (channel_,)
    else:
        with pytest.raises(StandError, match="fit_points"):
            parse_stand(text, "x")
