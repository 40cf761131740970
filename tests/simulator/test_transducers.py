"""From quantities to levels, against published tables and against the stand's way back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.simulator.transducers import transducer
from rig.stand import model
from rig.stand.model import (
    Digital,
    Divider,
    Line,
    LoadCell,
    NtcBeta,
    NtcSteinhart,
    Parameter,
    PositiveParameter,
    Pt100,
    Pt1000,
    Sensor,
    Shunt,
)
from rig.stand.sensors import formula_of, plain_parameters, ratio_span
from rig.stand.settings import parse_stand


def of(value: float) -> PositiveParameter:
    return PositiveParameter(value)


# IEC 60751, table of a Pt100, to 0.01 ohm.
@pytest.mark.parametrize(
    ("degc", "ohm"),
    [(-200, 18.52), (-100, 60.26), (0, 100.0), (25, 109.73), (100, 138.51), (850, 390.48)],
)
def test_platinum(degc: float, ohm: float) -> None:
    level = transducer(Pt100(of(1000.0)), 2**20)(degc)
    assert 1000.0 * level / (2**20 - level) == pytest.approx(ohm, abs=0.006)


# Steinhart and Hart's formula through 25 kohm at 5, 10 kohm at 25 and 4 kohm at 45 degC; the other
# rows computed from the published coefficients.
@pytest.mark.parametrize(
    ("degc", "ohm"),
    [(5.0, 25e3), (25.0, 10e3), (45.0, 4e3), (16.1336180, 15e3), (59.9639097, 2e3)],
)
def test_steinhart_and_hart(degc: float, ohm: float) -> None:
    a, b, c = map(Parameter, (2.1085081731e-3, 7.9792047268e-5, 6.5350763146e-7))
    level = transducer(NtcSteinhart(a, b, c, of(10e3)), 2**20)(degc)
    assert 10e3 * level / (2**20 - level) == pytest.approx(ohm, rel=1e-6)


SENSORS = {
    "shunt": (Shunt(of(0.002), of(3.3), of(50.0), Parameter(0.03)), -20.0, 30.0),
    "divider": (Divider(of(47e3), of(10e3), of(3.3)), 0.0, 18.0),
    "ntc, low": (NtcBeta(of(10e3), of(3977.0), of(10e3)), -40.0, 150.0),
    "ntc, high": (NtcBeta(of(100e3), of(3950.0), of(10e3), "high"), -40.0, 150.0),
    "pt1000": (Pt1000(of(2200.0)), -150.0, 600.0),
    "digital": (Digital(of(0.0625), Parameter(-1.5)), -40.0, 120.0),
    "arm": (LoadCell(Parameter(-1e-4), Parameter(40.0), of(0.1)), -3.0, 3.0),
    "line": (Line(-150.0, 0.0732), -150.0, 149.0),
}


@pytest.mark.parametrize(("sensor", "low", "high"), SENSORS.values(), ids=SENSORS)
@settings(max_examples=30)
@given(share=st.floats(0.0, 1.0))
def test_the_stand_reads_back_what_there_was(
    sensor: Sensor, low: float, high: float, share: float
) -> None:
    value = low + share * (high - low)
    level = transducer(sensor, 4096)(value)
    read = float(formula_of(sensor)(level, 4096.0, plain_parameters(sensor)))
    assert math.isclose(read, value, rel_tol=1e-6, abs_tol=1e-6)


@pytest.mark.parametrize("kind", model.SENSORS)
def test_every_kind_of_sensor_is_simulated_and_read_back(kind: str) -> None:
    """With the values of its example, from a tenth to nine tenths of what it can give."""
    (channel,) = parse_stand(model.SENSORS[kind].example, "example").channels
    low, high = ratio_span(channel.sensor) or (0.0, 1.0)
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        level = 1024.0 * (low + share * (high - low))
        value = float(formula_of(channel.sensor)(level, 1024.0, plain_parameters(channel.sensor)))
        assert transducer(channel.sensor, 1024)(value) == pytest.approx(level, rel=1e-9)
