"""Two significant digits of the uncertainty, against the GUM and general libraries."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rig.rounding import fixed, places_of, with_interval, with_uncertainty

values = st.floats(-1e9, 1e9, allow_nan=False)
uncertainties_ = st.floats(1e-4, 1e6)


@pytest.mark.parametrize(
    ("value", "u", "texts"),
    [
        # JCGM 100:2008 7.2.6, from memory: 10.057 62 ohm with 27 milliohm is 10.058 ohm.
        (10.05762, 0.027, ("10.058", "0.027")),
        # 7.2.6, from memory: 28.05 kHz is rounded to 28 kHz. (It rounds 10.47 milliohm up to 11
        # "where appropriate"; we round to the nearest.)
        (0.0, 28.05, ("0", "28")),
        # JCGM 100:2008 7.2.2: 100.021 47 g with 0.35 mg.
        (100.02147, 0.00035, ("100.02147", "0.00035")),
        (1.0, 0.0996, ("1.00", "0.10")),
        (1234.5, 99.6, ("1230", "100")),
        (12345.0, 678.0, ("12340", "680")),
        (-0.004, 0.23, ("0.00", "0.23")),
        (5.0, 0.0, ("5.00", "0")),
        (5.0, 1e-9, ("5.00", "0")),
        (5.0, float("nan"), ("5.00", "-")),
        (float("nan"), 0.1, ("-", "0.10")),
    ],
)
def test_examples(value: float, u: float, texts: tuple[str, str]) -> None:
    assert with_uncertainty(value, u) == texts


def test_intervals_and_signs() -> None:
    assert with_interval(1.374, 0.918, 1.83, sign=True) == ("+1.37", "+0.92", "+1.83")
    assert with_interval(0.1, -0.0004, 0.2004, sign=True) == ("+0.10", "0.00", "+0.20")
    assert with_interval(41.3, -12.0, 95.0, sign=True) == ("+41", "-12", "+95")
    assert with_interval(1.0, 1.0, 1.0) == ("1.00", "1.00", "1.00")


@given(values, uncertainties_)
def test_nothing_moves_by_more_than_half_of_its_last_digit(value: float, u: float) -> None:
    text, u_text = with_uncertainty(value, u)
    places = places_of(u)
    assert places is not None
    half = Decimal(1).scaleb(-places) / 2
    assert abs(Decimal(text) - Decimal(repr(value))) <= half
    assert abs(Decimal(u_text) - Decimal(repr(u))) <= half


@given(values, uncertainties_)
def test_two_digits_of_the_uncertainty_and_no_signed_zero(value: float, u: float) -> None:
    for sign in (False, True):
        text, u_text = with_uncertainty(value, u, sign=sign)
        assert Decimal(text) or text.strip("0.") == ""
        digits = u_text.lstrip("0.")
        assert len(digits.replace(".", "")) >= 2 and not u_text.startswith("-")
        assert not digits.replace(".", "")[2:].strip("0")
        assert len(text.partition(".")[2]) == len(u_text.partition(".")[2])


@given(st.integers(-(10**6), 10**6), st.integers(101, 9949), st.integers(-4, -2))
def test_the_uncertainties_library_agrees(value: int, u: int, scale: int) -> None:
    """`uncertainties` with two digits asked for ("{:.2uf}"); its default is the PDG's rule.

    Below 100: it rounds nothing before the decimal point.
    """
    if u % 10 == 5 or u % 100 == 50:
        return  # a tie: the binary number decides there, the decimal digits here
    number, spread = float(f"{value}e{scale}"), float(f"{u}e{scale}")
    theirs, their_u = f"{ufloat(number, spread):.2uf}".split("+/-")
    ours, our_u = with_uncertainty(number, spread)
    assert float(our_u) == pytest.approx(float(their_u), rel=1e-12)
    last = 10.0 ** -(places_of(spread) or 0)
    assert abs(float(ours) - float(theirs)) <= last * (1.0 + 1e-9)


@given(st.floats(allow_nan=True), st.integers(-3, 6))
def test_any_number_is_printed(value: float, places: int) -> None:
    text = fixed(value, places)
    assert text == "-" or Decimal(text) or not text.startswith("-")


@given(st.floats(min_value=0.0, allow_nan=False))
def test_every_uncertainty_has_digits_or_none(u: float) -> None:
    value, text = with_uncertainty(1.0, u)
    assert text in ("0", "-") or Decimal(text) > 0
    assert value
