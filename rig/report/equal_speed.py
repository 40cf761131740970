"""The section about two setups at equal speed, from runs with several throttle steps."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rig.analysis.answers import Comparison
from rig.analysis.curves.answers import Band, Curves, Overall
from rig.report.document import Block, Bullets, Column, Heading, Name, Paragraph, Table
from rig.report.words import percent
from rig.rounding import fixed, with_interval

_ROWS = 5
"""Speeds in the table, evenly over the shared range."""


def at_equal_speed(item: Comparison) -> Iterator[Block]:
    """The changes over speed, over the whole range, and over the tester's own use."""
    found = item.at_equal_speed
    if found is None:
        return
    yield Heading(2, ("At equal speed: ", Name(item.baseline), " -> ", Name(item.variant)))
    if found.curves is not None:
        curves = found.curves
        yield Paragraph(
            "Not the question above: there both setups have the same throttle, here the same "
            "speed. Each as warm as its own run made it."
        )
        yield _table(curves)
        yield Bullets(tuple(_lines(curves)))
    remarks = tuple(remark.text for remark in (*found.reasons, *found.cautions))
    if remarks:
        yield Bullets(remarks)
    if found.offered_throttle_pct:
        steps = ", ".join(f"{pct:g}" for pct in found.offered_throttle_pct)
        yield Paragraph(
            f"Steps with which {item.variant} would reach the baseline's speeds: {steps} %."
        )


def _table(curves: Curves) -> Table:
    shown = [("power at equal speed", curves.power_pct, " %")]
    if curves.efficiency_pct is not None:
        shown = [("efficiency", curves.efficiency_pct, " %")]
    if curves.less_heat_w is not None:
        shown.append(("less heat, W", curves.less_heat_w, ""))
    shown.append(("less current, A", curves.less_current_a, ""))
    shown.append(("faster at equal power", curves.faster_pct, " %"))
    places = np.linspace(0, len(curves.speed_rpm) - 1, _ROWS).round().astype(int).tolist()
    return Table(
        (Column("speed, rpm", "number"), *(Column(head, "number") for head, _, _ in shown)),
        tuple(
            (
                fixed(float(curves.speed_rpm[place]), 0),
                *(_at(band, place, unit) for _, band, unit in shown),
            )
            for place in places
        ),
        "with the 95 % interval at each speed, for one that was chosen beforehand",
    )


def _at(band: Band, place: int, unit: str = "") -> str:
    value = float(band.estimate[place])
    low, high = float(band.point_low[place]), float(band.point_high[place])
    if not math.isfinite(low + high):
        return f"{fixed(value, 2, sign=True)}{unit}"
    text, *ends = with_interval(value, low, high, sign=True)
    return f"{text}{unit} ({ends[0]} to {ends[1]})"


def _lines(curves: Curves) -> Iterator[str]:
    low, high = curves.range_rpm
    yield f"All runs share {low:.0f} to {high:.0f} rpm."
    yield f"Over this range: power {_overall(curves.over_range)}{_efficiency(curves)}."
    if curves.over_use is not None:
        yield f"Over the use given: energy {_overall(curves.over_use)}."
    band = curves.power_pct
    if np.isfinite(band.band_low).all():
        yield (
            f"At all speeds of the range at once (95 % band): power from "
            f"{fixed(float(band.band_low.min()), 2, sign=True)} % to "
            f"{fixed(float(band.band_high.max()), 2, sign=True)} %."
        )
    if curves.same_rpm:
        ranges = ", ".join(f"{a:.0f} to {b:.0f} rpm" for a, b in curves.same_rpm)
        yield f"No difference shown at {ranges}."
    if curves.crosses_rpm:
        yield f"The change has another sign beyond {', '.join(_rpm(curves.crosses_rpm))}."
    if curves.withheld:
        yield f"Efficiency and heat: not given, {curves.withheld}."


def _overall(found: Overall) -> str:
    return percent(found.power_pct, found.power_ci95)


def _efficiency(curves: Curves) -> str:
    if curves.withheld:
        return ""
    found = curves.over_range
    return f", efficiency {percent(found.efficiency_pct, found.efficiency_ci95)}"


def _rpm(speeds: tuple[float, ...]) -> list[str]:
    return [f"{rpm:.0f} rpm" for rpm in speeds]
