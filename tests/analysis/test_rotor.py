"""The exponent's uncertainty against the open data that it was taken from."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rig.analysis.rotor import HIGH_U, USUAL_U, efficiency_u, exponent_u

PROPELLERS = pd.read_csv(Path(__file__).with_name("rotor_exponents.csv"), comment="#")
"""Fits to static tests of the UIUC Propeller Database, volumes 1 to 3 (Brandt, Deters, Ananda,
Dantsker, Selig)."""

D = "exponent_less_3"


def test_the_uncertainty_is_the_spread_of_the_propellers() -> None:
    assert len(PROPELLERS.groupby(["volume", "propeller"])) == 239
    assert PROPELLERS[D].median() == pytest.approx(-0.04, abs=0.002)
    assert PROPELLERS[D].std() == pytest.approx(USUAL_U, abs=0.002)
    inches = PROPELLERS["diameter_in"]
    assert PROPELLERS[D][inches < 6].std() == pytest.approx(0.17, abs=0.005)
    assert PROPELLERS[D][inches >= 9].std() == pytest.approx(0.105, abs=0.005)


def test_the_spread_grows_towards_full_speed() -> None:
    spread = PROPELLERS.groupby("place")[D].std()
    assert spread.to_list() == pytest.approx([0.08, 0.10, 0.135, 0.155], abs=0.001)
    for place, found in spread.items():
        assert exponent_u(place) >= found - 0.006
    assert exponent_u() == exponent_u(0.74) == USUAL_U
    assert exponent_u(0.75) == exponent_u(1.0) == HIGH_U


@pytest.mark.parametrize("place", [0.25, 0.5, 0.75, 0.9])
@pytest.mark.parametrize("change_pct", [1.0, 5.0, 10.0])
def test_intervals_hold_the_real_propellers(place: float, change_pct: float) -> None:
    """A true power over speed by a propeller of the data, judged by the cube."""
    ratio = 1.0 + change_pct / 100.0
    wrong = PROPELLERS[D][PROPELLERS["place"] == place] * math.log(ratio)
    inside = np.abs(wrong) <= 1.96 * efficiency_u(ratio, exponent_u(place))
    assert inside.mean() > 0.93


def test_a_speed_that_did_not_change_adds_nothing() -> None:
    assert efficiency_u(1.0) == 0.0
    assert efficiency_u(1.1) == pytest.approx(0.12 * math.log(1.1))
    assert efficiency_u(1.1) == pytest.approx(efficiency_u(1 / 1.1))
    with pytest.raises(ValueError, match="math domain"):
        efficiency_u(0.0)
