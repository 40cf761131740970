"""A component's value as people write it: a number, or a number and how well it is known."""

from __future__ import annotations

import math
from typing import Any

PARAMETER_FORMS = "a number, or {value, tolerance_pct}, {value, tolerance} or {value, u}"


def read_parameter(given: Any) -> dict[str, float] | None:
    """`value` and `u` (one standard uncertainty) of what was given; None if it is no form.

    A tolerance is taken as the half-width of a rectangular distribution (JCGM 100:2008
    4.3.7): u is the tolerance over the square root of 3.
    """
    if _is_number(given):
        return {"value": float(given)}
    if not isinstance(given, dict) or not _is_number(given.get("value")):
        return None
    value = float(given["value"])
    spreads = [(key, spread) for key, spread in given.items() if key != "value"]
    if not spreads:
        return {"value": value}
    (key, spread), *more = spreads
    if more or not _is_number(spread) or spread < 0:
        return None
    shares = {"u": 1.0, "tolerance": 3**-0.5, "tolerance_pct": abs(value) / 100 * 3**-0.5}
    if key not in shares or not math.isfinite(spread * shares[key]):
        return None
    return {"value": value, "u": spread * shares[key]}


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and _is_finite(value)


def _is_finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:
        return False
