"""The figures of a report: what each shows, in which runs, and its caption.

Nothing is drawn, and no rows are read, before a renderer asks for the drawing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cache, partial

from rig.analysis.answers import Comparison, Interval
from rig.captures.capture import read_schema
from rig.report.content import Listed, Report
from rig.report.document import Block, Figure, Key, Svg
from rig.report.looks import Look, looks
from rig.report.traces import Trace, trace
from rig.report.words import hold_words, main_changes, quantity_name
from rig.stand.quantities import is_temperature

MAIN = ("speed_rpm", "current_a", "power_w")
TRACED = ("speed_rpm", "current_a")

_SPANS, _SPANS_OF_ALL = 250, 4000
"""Spans into which a run is thinned, and all runs together: the file stays below 1.5 MB."""

_TEMPERATURES_SHOWN = 6


def drawings(report: Report) -> Iterator[Block]:
    """All figures, in order. Raises InputFileError for a capture that cannot be read again."""
    look = looks(report.setups)
    key = tuple(Key(name, it.sign, it.colour, it.line_name) for name, it in look.items())
    yield from _changes(report, look, key)
    yield from _at_equal_speed(report, look, key)
    yield from _runs(report, look, key)
    yield from _over_time(report, look, key)


def _changes(report: Report, look: dict[str, Look], key: tuple[Key, ...]) -> Iterator[Block]:
    variants = {item.variant: list(percents(item)) for item in report.comparisons.variants}

    def draw() -> Svg:
        from rig.report.plots import changes_plot  # matplotlib is slow to import

        return changes_plot(variants, look)

    if any(variants.values()):
        yield Figure(
            "Changes",
            key,
            draw,
            "Changes in percent, with their 95 % intervals. An interval that crosses the line at "
            "zero may be no change at all. Rises of temperature are in the table below.",
        )


def _at_equal_speed(report: Report, look: dict[str, Look], key: tuple[Key, ...]) -> Iterator[Block]:
    found = [
        (item.baseline, item.variant, item.at_equal_speed.curves)
        for item in report.comparisons.variants
        if item.at_equal_speed is not None and item.at_equal_speed.curves is not None
    ]

    def draw() -> Svg:
        from rig.report.plots import equal_speed_plot

        return equal_speed_plot(found, look)

    if found:
        yield Figure(
            "At equal speed",
            key,
            draw,
            "Above: electric power over speed. Below: the change of power from the baseline at "
            "equal speed; the dark band is the 95 % interval at one speed, the light one holds at "
            "all speeds at once. Where it is below zero, the same speed takes less power.",
        )


def percents(item: Comparison) -> Iterator[tuple[str, float, Interval | None]]:
    """What the first figure shows of a variant: name, change in percent, interval; speed first.

    No rises: those of a few tenths of a kelvin have intervals of tens of percent, beside which
    nothing shows.
    """
    for change in sorted(main_changes(item), key=lambda change: change.quantity != "speed_rpm"):
        if change.change is not None and change.unit == "%":
            yield quantity_name(change.quantity).rsplit(",", 1)[0], change.change, change.ci95
    if item.efficiency.value is not None:
        yield "Efficiency by affinity laws", item.efficiency.value, item.efficiency.ci95


def _runs(report: Report, look: dict[str, Look], key: tuple[Key, ...]) -> Iterator[Block]:
    runs = report.comparisons.used
    columns = [
        column
        for column in MAIN
        if all(math.isfinite(run.figures.get(column, math.nan)) for run in runs)
    ]

    def draw() -> Svg:
        from rig.report.plots import runs_plot

        return runs_plot(runs, columns, look)

    if columns:
        yield Figure(
            "Runs",
            key,
            draw,
            "One dot is one run, its mean over the steady part. Lines are the means of the "
            "setups, bars the 95 % interval of each mean from its own runs alone.",
        )


def _over_time(report: Report, look: dict[str, Look], key: tuple[Key, ...]) -> Iterator[Block]:
    used = report.used
    has = {name for capture in used for name in read_schema(capture.path).names}
    driven = [column for column in TRACED if column in has]
    temperatures = _temperatures(used, has)
    steady_s = common([capture.run.window_s for capture in used])
    shaded = "Shaded: steady in every run." if steady_s else "No time is steady in every run."
    since = hold_words([capture.run for capture in used])

    @cache
    def traces() -> list[tuple[Look, Trace]]:
        spans = min(_SPANS, max(20, _SPANS_OF_ALL // len(used)))
        columns = (*driven, *temperatures)
        return [
            (look[each.run.setup], trace(each.path, columns, spans, each.run.hold_from_s))
            for each in used
        ]

    def draw(columns: Sequence[str], *, driven_only: bool) -> Svg:
        from rig.report.plots import traces_plot

        return traces_plot(traces(), columns, steady_s, since, driven_only=driven_only)

    if driven:
        yield Figure(
            "Over time",
            key,
            partial(draw, driven, driven_only=True),
            f"All runs over each other, from the start of {since}; the band is from "
            f"the lowest to the highest reading. {shaded}",
        )
    if temperatures:
        yield Figure(
            "Temperatures",
            key,
            partial(draw, temperatures, driven_only=False),
            f"The whole of each run: a motor is hottest after it has stopped. {shaded}",
        )


def _temperatures(used: Sequence[Listed], has: set[str]) -> list[str]:
    """The first few temperatures of any run, of columns that there are."""
    names = dict.fromkeys(name for each in used for name in each.run.figures)
    return [name for name in names if is_temperature(name) and name in has][:_TEMPERATURES_SHOWN]


def common(spans: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """The part that all of `spans` have in common, if there is one."""
    known = [span for span in spans if all(map(math.isfinite, span))]
    if not known:
        return None
    start, end = max(span[0] for span in known), min(span[1] for span in known)
    return (start, end) if start < end else None
