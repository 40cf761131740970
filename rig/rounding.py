"""Numbers as they are printed: two significant digits of the uncertainty (JCGM 100:2008 7.2.6).

The value is rounded to the last digit of its uncertainty, whether that is a standard deviation, an
expanded uncertainty or half an interval. Ties go to the even digit. Zero has no sign: never "-0.0".

(The rule of the Particle Data Group, which keeps one digit of an uncertainty that begins with
355 to 949, is another one.)
"""

from __future__ import annotations

import decimal
import math

SIGNIFICANT = 2
MOST_PLACES = 6
"""Decimal places beyond which nothing is printed: what is left there of errors that cancel is the
computer's own rounding."""

UNKNOWN = "-"

_EXACT = decimal.Context(prec=800, rounding=decimal.ROUND_HALF_EVEN)
"""Digits enough for every float."""


def places_of(u: float) -> int | None:
    """The decimal places that show two significant digits of `u`; below zero for tens and more.

    None where there are no such digits: `u` is no number, zero, or all but zero.
    """
    if not math.isfinite(u) or u == 0.0:
        return None
    places = SIGNIFICANT - 1 - math.floor(math.log10(abs(u)))
    for _ in range(2):  # 9.96 becomes 10, and the logarithm may miss by one
        rounded = _rounded(u, min(places, MOST_PLACES))
        if not rounded:
            return None
        places = SIGNIFICANT - 1 - rounded.adjusted()
    return min(places, MOST_PLACES)


def fixed(value: float, places: int, *, sign: bool = False) -> str:
    """`value` with `places` decimal places, below zero for tens and more; a dash for no number."""
    if not math.isfinite(value):
        return UNKNOWN
    rounded = _rounded(value, places)
    return format(rounded if rounded else abs(rounded), "+f" if sign and rounded else "f")


def with_uncertainty(
    value: float, u: float, *, otherwise: int = 2, sign: bool = False
) -> tuple[str, str]:
    """`value` and `u` as texts, both to the second significant digit of `u`.

    Where `u` has no digits the value gets `otherwise` places, and `u` is "0" or a dash.
    """
    places = places_of(u)
    if places is None:
        return fixed(value, otherwise, sign=sign), "0" if math.isfinite(u) else UNKNOWN
    return fixed(value, places, sign=sign), fixed(abs(u), places)


def with_interval(
    value: float, low: float, high: float, *, otherwise: int = 2, sign: bool = False
) -> tuple[str, str, str]:
    """`value` and the ends of its interval, to the second significant digit of half its width."""
    places = places_of((high - low) / 2.0)
    places = otherwise if places is None else places
    return (
        fixed(value, places, sign=sign), fixed(low, places, sign=sign),
        fixed(high, places, sign=sign),
    )  # fmt: skip


def _rounded(value: float, places: int) -> decimal.Decimal:
    # By the digits that people see, so that 0.125 is a tie and 28.05 is not 28.0499999.
    return decimal.Decimal(repr(float(value))).quantize(
        decimal.Decimal(1).scaleb(-places), context=_EXACT
    )
