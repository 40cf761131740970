"""Counts to quantities: every sensor, ends of scale, board limits, and uncertainty."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rig.errors import SettingsError
from rig.protocol.commands import EDGES, Limit
from rig.protocol.records import Channel
from rig.stand.bound import BoundChannel
from rig.stand.model import (
    ChannelSettings,
    Converter,
    Digital,
    Divider,
    Level,
    Limits,
    Line,
    LoadCell,
    NtcBeta,
    Parameter,
    PositiveParameter,
    Pt1000,
    Sensor,
    Shunt,
    Stand,
    Tachometer,
)
from rig.stand.sampler import Sampler
from rig.stand.settings import demo_stand
from rig.stand.uncertainty import STEP_U
from tests.stand.boards import channel, channels, hello, line

EXACT = Converter(linearity_counts=0.0, reference_drift_pct=0.0)
REFERENCE = PositiveParameter(5.0, 0.01)
SHUNT = Shunt(PositiveParameter(0.00075, 1e-6), REFERENCE, PositiveParameter(50.0, 0.1))
DIVIDER = Divider(PositiveParameter(56e3, 100.0), PositiveParameter(10e3, 20.0), REFERENCE)
NTC = NtcBeta(
    PositiveParameter(10e3, 50.0), PositiveParameter(3977.0, 15.0), PositiveParameter(10e3, 20.0)
)
EVERY_SENSOR: list[tuple[str, Sensor]] = [
    ("current", SHUNT),
    ("voltage", DIVIDER),
    ("motor", NTC),
    ("case", replace(NTC, position="high")),
    ("air", Pt1000(PositiveParameter(1000.0, 1.0))),
    ("pack", Digital(PositiveParameter(0.0625, 1e-4), Parameter(-40.0, 0.2))),
    ("torque", LoadCell(Parameter(0.02, 1e-4), Parameter(500.0, 1.0), PositiveParameter(0.1))),
    ("thrust", Line(-3.0, 0.05, ((1e-2, -1e-5), (-1e-5, 1e-7)))),
]


def bound(key: str, sensor: Sensor, zero: int = 0) -> BoundChannel:
    return BoundChannel(ChannelSettings(key, "x", sensor), channel(0, "x", zero))


def every_sensor() -> tuple[Stand, list[Channel]]:
    settings = tuple(ChannelSettings(key, key, sensor) for key, sensor in EVERY_SENSOR)
    board = [channel(i, key, zero=40 * (i % 3)) for i, (key, _) in enumerate(EVERY_SENSOR)]
    return Stand("all", channels=settings, tachometer=Tachometer(2)), board


def test_the_demo_stand_reads_what_its_parts_say() -> None:
    sampler = Sampler(demo_stand(), hello(), channels())
    # 60 A * 0.75 milliohm * 50 = 2.25 V, and 22 V * 10/66 = 3.333 V, of 5 V and 1024 * 16 counts;
    # a thermistor at its 25 degC takes half of the reference.
    counts = [round(2.25 / 5 * 16384), round(22 * 10 / 66 / 5 * 16384), 8192, 8192, 8192]
    sample = sampler.sample(*line(counts))
    row = dict(zip(sampler.columns, sample.values, strict=True))
    assert row["current_a"] == pytest.approx(60.0, abs=0.005)
    assert row["voltage_v"] == pytest.approx(22.0, abs=0.002)
    assert row["power_w"] == pytest.approx(60.0 * 22.0, rel=2e-4)
    assert row["motor_degc"] == pytest.approx(25.0)
    assert row["speed_rpm"] == 0.0
    assert sample.faults == sample.clipped == ()


def test_a_usual_shunt() -> None:
    """75 mV at 100 A is 0.75 milliohm (shunt table: R = mV / A)."""
    volts_per_count = 5 / 1024
    count = round(0.075 * 50 / volts_per_count) * 16
    assert bound("current", SHUNT).value(count) == pytest.approx(100.0, abs=0.07)


def test_a_missing_label_names_those_the_board_has() -> None:
    with pytest.raises(SettingsError) as caught:
        Sampler(demo_stand(), hello(), [channel(0, "Shunt"), channel(1, "pack")])
    assert "'shunt'" in str(caught.value) and "'Shunt'" in str(caught.value)


row = st.tuples(
    st.integers(0, 50_000),
    st.integers(0, 40),
    st.lists(
        st.one_of(st.integers(-200, 17_000), st.sampled_from([0, 16 * 1023, -40, -80])),
        min_size=len(EVERY_SENSOR),
        max_size=len(EVERY_SENSOR),
    ),
)


@given(st.lists(row, min_size=1, max_size=20))
def test_arrays_equal_single_lines(rows: list[tuple[int, int, list[int]]]) -> None:
    stand, board = every_sensor()
    live = Sampler(stand, hello(), board)
    bulk = Sampler(stand, hello(), board)
    tick = np.cumsum([1 + r[0] for r in rows])
    edges = np.cumsum([r[1] for r in rows])
    edge_tick = np.where([r[1] > 0 for r in rows], tick - 50, 0)
    edge_tick = np.maximum.accumulate(edge_tick)
    fields = np.zeros((len(rows), 5 + len(board)), dtype=np.int64)
    fields[:, 5:] = [r[2] for r in rows]
    table = bulk.columns_of(fields, tick, edges, edge_tick)
    assert list(table) == ["time_s", *live.columns, "valid"]
    for i, (_, _, counts) in enumerate(rows):
        sample = live.sample(*line(counts, int(tick[i]), int(edges[i]), int(edge_tick[i])))
        assert sample.time_s == table["time_s"][i]
        got = [table[column][i] for column in live.columns]
        np.testing.assert_allclose(got, sample.values, rtol=1e-12, atol=1e-9)
        assert table["valid"][i] == (not sample.clipped and not sample.faults)


@pytest.mark.parametrize(
    ("sensor", "count", "word"),
    [
        (NTC, 16 * 1023, "open"),
        (NTC, 0, "shorted"),
        (replace(NTC, position="high"), 0, "open"),
        (replace(NTC, position="high"), 16 * 1023, "shorted"),
        (Pt1000(PositiveParameter(1000.0)), 16 * 1023, "open"),
        (Pt1000(PositiveParameter(1000.0)), 16, "shorted"),
    ],
)
def test_open_and_shorted_sensors(sensor: Sensor, count: int, word: str) -> None:
    stand = Stand("one", channels=(ChannelSettings("motor", "motor", sensor),))
    sample = Sampler(stand, hello(), [channel(0, "motor")]).sample(*line([count]))
    assert sample.faults == (("motor_degc", word),)
    assert math.isnan(sample.values[0])


def test_ends_of_scale() -> None:
    top = 16 * 1023
    one_way, both_ways = bound("current", SHUNT), replace(SHUNT, offset_v=Parameter(2.5))
    assert one_way.inside_highest <= top and one_way.inside_lowest < 0
    # 0 A is a reading; -66 A at the foot of an amplifier biased to the middle is not.
    assert bound("current", both_ways).inside_lowest >= 0
    # With half of the sixteen conversions at the end, the sum is not a number any more.
    assert one_way.inside_highest == top - 8


def test_the_boards_zero_stands_in_for_an_offset() -> None:
    offset = replace(SHUNT, offset_v=Parameter(0.5, 0.01))
    at_rest = round(0.5 / 5 * 16384)
    assert bound("current", offset).value(at_rest) == pytest.approx(0.0, abs=0.01)
    assert bound("current", offset, zero=at_rest).value(0) == 0.0
    # A temperature has no zero to take: the count is put back.
    assert bound("motor", NTC, zero=100).value(8192 - 100) == pytest.approx(25.0)


@pytest.mark.parametrize(("key", "sensor"), EVERY_SENSOR)
@settings(max_examples=30)
@given(place=st.floats(0.01, 0.99), offset=st.integers(-40, 40))
def test_the_board_never_cuts_what_the_stand_allows(
    key: str, sensor: Sensor, place: float, offset: int
) -> None:
    channel = bound(key, sensor)
    lowest, highest = channel.inside_lowest + 1, channel.inside_highest - 1
    level = channel.value(lowest + place * (highest - lowest))
    limit = channel.limit(Level(trip_over=level))
    assert limit is not None and (limit.low is None) != (limit.high is None)
    edge, outward = (limit.high, 1) if limit.low is None else (limit.low, -1)
    assert edge is not None
    count = edge + offset
    cut = (count - edge) * outward > 0
    if cut:
        assert channel.value(count) > level
    else:
        # It cuts at the latest one count after the stand would.
        assert not channel.value(count - outward) > level


def test_the_demo_stands_limits_as_told_to_the_board() -> None:
    sampler = Sampler(demo_stand(), hello(), channels())
    limits = {limit.where: limit for limit in sampler.count_limits()}
    # 100 A is 3.75 V of 5 V.
    assert limits[0] == Limit(0, None, math.ceil(0.75 * 16384), 0)
    # Six cells of 3.2 V through 10/66, the voltage's own trip above.
    assert limits[1].low == math.floor(6 * 3.2 * 10 / 66 / 5 * 16384)
    assert limits[1].hold_ms == 500
    # A thermistor at ground: hotter is fewer counts.
    ohm = 10_000 * math.exp(3977 * (1 / 373.15 - 1 / 298.15))
    assert limits[2].low == math.floor(16 * 1024 * ohm / (ohm + 10_000))
    assert limits[2].high is None
    assert limits[EDGES].high == math.ceil(20_000 / 60 * 2)


def test_a_board_that_holds_no_limits_is_told_none() -> None:
    board = [channel(i, c.label, abilities="Z") for i, c in enumerate(channels())]
    told = Sampler(demo_stand(), hello(), board).count_limits()
    assert [limit.where for limit in told] == [EDGES]


def test_quantisation() -> None:
    """JCGM 100:2008 F.2.2.1: u = step / sqrt(12); 10 bit, 5 V: 1.409546556 mV of 4.8828125 mV."""
    assert pytest.approx(1.409546556e-3, rel=1e-9) == 5 / 1024 * STEP_U
    exact = Divider(PositiveParameter(1e-9), PositiveParameter(1.0), PositiveParameter(5.0))
    stand = Stand("one", channels=(ChannelSettings("voltage", "x", exact),), converter=EXACT)
    one = Channel(0, "x", "x", 1024, 1, frozenset(), 0)
    single = Sampler(stand, hello(), [one]).uncertainty("voltage_v", 2.0)
    assert single == pytest.approx(1.409546556e-3, rel=1e-6)
    sixteen = Sampler(stand, hello(), [channel(0, "x")]).uncertainty("voltage_v", 2.0)
    assert sixteen == pytest.approx(single / 4, rel=1e-6)


def test_uncertainty_by_hand() -> None:
    """A product of independent factors adds relative variances (JCGM 100:2008 5.1.6)."""
    stand = Stand("one", channels=(ChannelSettings("current", "x", SHUNT),), converter=EXACT)
    sampler = Sampler(stand, hello(), [channel(0, "x")])
    step = 5 / 1024 / 50 / 0.00075 * STEP_U / 4
    relative = math.hypot(1e-6 / 0.00075, 0.01 / 5, 0.1 / 50)
    expected = math.hypot(80 * relative, step)
    assert sampler.uncertainty("current_a", 80.0) == pytest.approx(expected, rel=1e-6)


def test_a_component_budget_agrees_with_a_monte_carlo() -> None:
    """The GUM's linear propagation against drawn components (JCGM 101:2008, in numpy)."""
    rng, n = np.random.default_rng(5), 200_000

    def tolerance(value: float, pct: float) -> NDArray[np.float64]:
        return rng.uniform(value * (1 - pct / 100), value * (1 + pct / 100), n)

    step = 5.0 / 1024
    volts = 50.0 * 0.00075 * 50.0 + rng.normal(0, step / math.sqrt(12 * 16), n)
    volts += step * np.sin(rng.uniform(0.0, 2.0 * math.pi, n))  # linearity, 1 count, cyclic
    reference = tolerance(5.0, 0.2) / 5.0 * tolerance(1.0, 0.05)
    drawn = (volts * reference - rng.uniform(-0.01, 0.01, n)) / (
        tolerance(50.0, 0.5) * tolerance(0.00075, 0.25)
    )
    assert Sampler(demo_stand(), hello(), channels()).uncertainty(
        "current_a", 50.0
    ) == pytest.approx(drawn.std(), rel=0.02)


@pytest.mark.parametrize(("key", "sensor"), EVERY_SENSOR)
def test_uncertainty_equals_numerical_derivatives(key: str, sensor: Sensor) -> None:
    stand = Stand("one", channels=(ChannelSettings(key, "x", sensor),), converter=EXACT)
    sampler = Sampler(stand, hello(), [channel(0, "x")])
    tied = bound(key, sensor)
    count = 5000
    variance = (_slope(tied, count, 1.0) * 16 * STEP_U / 4) ** 2
    if isinstance(sensor, Line):
        (a, mixed), (_, b) = sensor.covariance
        x = count / 16
        variance += a + 2 * x * mixed + x**2 * b
    else:
        for name in type(sensor).__dataclass_fields__:
            part = getattr(sensor, name)
            if isinstance(part, Parameter) and part.u:
                h = 1e-4 * part.u
                up, down = (
                    bound(key, replace(sensor, **{name: replace(part, value=part.value + d)}))
                    for d in (h, -h)
                )
                variance += ((up.value(count) - down.value(count)) / (2 * h) * part.u) ** 2
    got = sampler.uncertainty(tied.column, tied.value(count))
    assert got == pytest.approx(math.sqrt(variance), rel=1e-5)


def _slope(tied: BoundChannel, count: float, h: float) -> float:
    return float(tied.value(count + h) - tied.value(count - h)) / (2 * h)


def test_a_shared_gain_cancels_in_a_ratio_and_not_in_a_figure() -> None:
    sampler = Sampler(demo_stand(), hello(), channels())
    first = sampler.measured({"current_a": 60.0})["current_a"]
    second = sampler.measured({"current_a": 63.0})["current_a"]
    apart = Sampler(demo_stand(), hello(), channels()).measured({"current_a": 63.0})["current_a"]
    assert (second / first).std_dev < 0.5 * (apart / first).std_dev


def test_power_knows_that_both_readings_share_the_reference() -> None:
    sampler = Sampler(demo_stand(), hello(), channels())
    both = sampler.measured({"current_a": 60.0, "voltage_v": 22.0})
    amps, volts = both["current_a"], both["voltage_v"]
    independent = math.hypot(amps.std_dev / 60, volts.std_dev / 22)
    assert both["power_w"].std_dev / (60 * 22) > 1.02 * independent
    assert sampler.uncertainty("power_w", 1320.0, 22.0) == pytest.approx(both["power_w"].std_dev)
    with pytest.raises(KeyError):
        sampler.uncertainty("power_w", 1320.0)


def test_speed_is_known_as_well_as_the_boards_clock() -> None:
    sampler = Sampler(demo_stand(), hello(), channels())
    assert sampler.uncertainty("speed_rpm", 9000.0) == pytest.approx(
        9000 * 0.005 / math.sqrt(3), rel=1e-3
    )


def test_a_voltage_under_limit_above_the_cells_stays() -> None:
    stand = demo_stand()
    high = Limits(levels=(("voltage", Level(trip_under=20.0)),), cells=6, cell_trip_v=3.2)
    sampler = Sampler(replace(stand, limits=high), hello(), channels())
    current, voltage, *_ = sampler.count_limits()
    assert voltage.low == math.floor(20 * 10 / 66 / 5 * 16384)
    # The board may hold a current limit of an earlier run, which this stand does not have.
    assert current == Limit(0, None, None, 0)
