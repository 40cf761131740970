"""Readings follow the board's own measurement of its converter's reference."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import SettingsError
from rig.protocol.records import Channel
from rig.stand.model import Reference, Stand
from rig.stand.reference import moved_words
from rig.stand.sampler import NO_REFERENCE, Sampler
from rig.stand.settings import demo_stand, parse_stand, stand_from_dict, stand_to_dict
from tests.stand.boards import channels, hello, line
from tests.stand.test_stand_file import mistakes

BANDGAP_V = 1.1
AT_5_V = 1024 * BANDGAP_V / 5.0
STAND = replace(demo_stand(), reference=Reference("supply", AT_5_V))
SUPPLY = Channel(5, "reference", "supply", 1024, 4, frozenset(), 0)
"""Four conversions to a line, as the reference board has for its slow channels."""


def sampler(stand: Stand = STAND, line_hz: int = 200, supply: Channel = SUPPLY) -> Sampler:
    board = replace(hello(line_hz), channels=6)
    return Sampler(stand, board, [*channels(), supply])


def counts(amps: float, volts: float, supply_v: float) -> list[int]:
    """What a board sends: Ohm's law at the shunt and the divider, against this supply."""
    full = 1024 * 16 / supply_v
    shunt, pack = amps * 0.00075 * 50 * full, volts * 10 / 66 * full
    return [round(shunt), round(pack), 8192, 8192, 8192, round(4 * 1024 * BANDGAP_V / supply_v)]


def reading(of: Sampler, row: list[int], tick: int = 0) -> dict[str, float]:
    sample = of.sample(*line(row, tick))
    assert not sample.faults
    return dict(zip(of.columns, sample.values, strict=True))


@pytest.mark.parametrize("supply_v", [4.6, 5.0, 5.25])
def test_current_and_voltage_are_right_at_any_supply_and_temperatures_do_not_feel_it(
    supply_v: float,
) -> None:
    with_channel = reading(sampler(), counts(60.0, 22.0, supply_v))
    assert with_channel["current_a"] == pytest.approx(60.0, rel=1.5e-3)
    assert with_channel["voltage_v"] == pytest.approx(22.0, rel=1.5e-3)
    assert with_channel["motor_degc"] == pytest.approx(25.0)
    # The same lines without the table are wrong by as much as the supply is.
    without = reading(sampler(demo_stand()), counts(60.0, 22.0, supply_v))
    assert without["current_a"] == pytest.approx(60.0 * 5.0 / supply_v, rel=1e-3)
    assert without["motor_degc"] == with_channel["motor_degc"]


supplies = st.one_of(st.integers(700, 1300), st.sampled_from([0, 450, 451, 1802, 1803, 4 * 1023]))
rows = st.lists(
    st.tuples(st.lists(st.integers(0, 16 * 1023), min_size=5, max_size=5), supplies),
    min_size=1, max_size=40,
)  # fmt: skip


@given(rows, st.integers(0, 40), st.integers(1, 8))
def test_lines_and_arrays_agree_to_the_last_digit_however_they_are_cut(
    made: list[tuple[list[int], int]], cut: int, line_hz: int
) -> None:
    live, bulk = sampler(line_hz=line_hz), sampler(line_hz=line_hz)
    fields = np.array([[0, 0, 0, 0, 1, *values, supply] for values, supply in made])
    tick = np.arange(len(fields)) * 10_000
    parts = [
        bulk.columns_of(fields[part], tick[part], tick[part] * 0, tick[part] * 0)
        for part in (slice(None, cut), slice(cut, None))
    ]
    for i, row in enumerate(fields):
        sample = live.sample(*line(row[5:].tolist(), int(tick[i])))
        part, at = (parts[0], i) if i < cut else (parts[1], i - cut)
        for name, value in zip(live.columns[:2], sample.values[:2], strict=True):
            assert part[name][at] == value
        assert part["valid"][at] == (not sample.clipped and not sample.faults)


def test_the_count_is_smoothed_over_a_second_and_no_longer() -> None:
    noise = np.random.default_rng(5).normal(0.0, 1.0, 400)
    noisy = sampler()
    read = []
    for index, error in enumerate(noise):
        row = counts(60.0, 22.0, 5.0)
        row[5] += round(float(error))
        read.append(reading(noisy, row, index * 10_000)["voltage_v"])
    # A count of 901 that is wrong by 1: 0.11 % in a line, a fourteenth of that in 200 lines.
    assert np.std(read[200:]) / 22.0 < 1.5 * 0.0011 / math.sqrt(200)
    low = [reading(noisy, counts(60.0, 22.0, 4.6), 4_000_000 + i)["voltage_v"] for i in range(200)]
    assert low[0] == pytest.approx(22.0 * 5.0 / 4.6, rel=2e-3)
    assert low[199] == pytest.approx(22.0, rel=1.5e-3)


def test_the_boards_limits_are_counts_of_the_supply_as_it_is_now() -> None:
    high, low = sampler(), sampler()
    high.sample(*line(counts(0.0, 22.0, 5.0)))
    low.sample(*line(counts(0.0, 22.0, 4.6)))
    (at_5,), (at_46,) = (
        [limit for limit in of.count_limits() if limit.where == 0] for of in (high, low)
    )
    # 100 A trips: 3.75 V of the supply.
    assert at_5.high == pytest.approx(3.75 / 5.0 * 16384, rel=1.5e-3)
    assert at_46.high == pytest.approx(3.75 / 4.6 * 16384, rel=1.5e-3)
    for of, supply_v in ((high, 5.0), (low, 4.6)):
        (limit,) = [limit for limit in of.count_limits() if limit.where == 0]
        assert limit.high is not None
        row = counts(0.0, 22.0, supply_v)
        row[0] = limit.high
        assert reading(of, row, 10_000)["current_a"] >= 100.0


@pytest.mark.parametrize("supply", [0, 4 * 1023, 450])
def test_an_unusable_count_leaves_the_last_ratio_and_says_so(supply: int) -> None:
    of = sampler()
    reading(of, counts(60.0, 22.0, 4.6))
    bad = counts(60.0, 22.0, 4.6)
    bad[5] = supply
    sample = of.sample(*line(bad, 10_000))
    assert sample.faults == (("current_a", NO_REFERENCE), ("voltage_v", NO_REFERENCE))
    assert sample.values[0] == pytest.approx(60.0, rel=1.5e-3)
    # A count of all conversions in the place of one is such a mistake.
    wrong = sampler(replace(STAND, reference=Reference("supply", 4 * AT_5_V)))
    assert wrong.sample(*line(counts(60.0, 22.0, 5.0))).faults


def measured(stand: Stand, supply_v: float | None) -> Any:
    means = {"current_a": 60.0, "voltage_v": 22.0}
    if supply_v is not None:
        means["reference_count"] = AT_5_V * 5.0 / supply_v
    return sampler(stand).measured(means, single=False)


def share_of(value: Any, *tags: str) -> float:
    """The part of a relative standard uncertainty that these sources make."""
    variances = [u**2 for v, u in value.error_components().items() if str(v.tag).startswith(tags)]
    return math.sqrt(sum(variances)) / float(value.nominal_value)


def test_the_budget_has_the_bandgaps_steadiness_and_the_converters_error_at_two_counts() -> None:
    without, at_5, at_46 = (
        measured(stand, supply_v)["voltage_v"]
        for stand, supply_v in ((demo_stand(), None), (STAND, 5.0), (STAND, 4.6))
    )
    # What was moves between runs by 0.05 % is now the bandgap, 0.1 %; half-widths.
    assert share_of(without, "reference drift") == pytest.approx(0.0005 / 3**0.5)
    assert share_of(at_5, "reference drift") == pytest.approx(0.001 / 3**0.5)
    # At the count of calibration the converter errs as it did then.
    assert share_of(at_5, "reference linearity") == pytest.approx(0.0, abs=1e-12)
    # 20 counts away it errs independently: a cyclic error of 1 count at each.
    both = math.hypot(1 / AT_5_V, 1 / (AT_5_V * 5 / 4.6)) / 2**0.5
    assert share_of(at_46, "reference linearity") == pytest.approx(both, rel=0.01)
    # The calibration's own tolerance is what it was.
    assert share_of(at_46, "reference_v") == pytest.approx(share_of(without, "reference_v"))
    assert at_46.nominal_value == pytest.approx(22.0)


def test_a_word_is_said_beyond_the_calibrations_tolerance_only() -> None:
    assert moved_words(STAND, 0.9975) == moved_words(demo_stand(), 0.92) == ""
    assert "0.4 % below" in moved_words(STAND, 0.996)
    assert "8.0 % above" in moved_words(STAND, 1.08)


def test_the_table_is_read_written_and_its_mistakes_are_named() -> None:
    text = "[reference]\ncount_at_calibration = 225.3\n"
    stand = parse_stand(text, "stand.toml")
    assert stand.reference == Reference("supply", 225.3, 0.1)
    assert stand_from_dict(stand_to_dict(stand)) == stand
    assert "reference" not in stand_to_dict(demo_stand())
    assert mistakes("[reference]\ncount_at_calibration = 0") == [
        ("reference.count_at_calibration", "0")
    ]
    assert mistakes('[reference]\nboard_label = 3\nsteadiness_pct = "x"') == [
        ("reference.board_label", "3"),
        ("reference.steadiness_pct", "'x'"),
        ("reference.count_at_calibration", "nothing at all"),
    ]
    assert mistakes("reference = 5") == [("reference", "5")]


def test_a_board_without_that_channel_or_with_another_quantity_there_is_refused() -> None:
    with pytest.raises(SettingsError, match="no channel labelled 'supply'"):
        Sampler(STAND, hello(), channels())
    with pytest.raises(SettingsError, match="'voltage', not 'reference'"):
        sampler(supply=replace(SUPPLY, quantity="voltage"))
