"""The sections about one variant, each a function from the comparison to its blocks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rig.analysis.answers import FAN_EXPONENT, Change, Comparison
from rig.analysis.powertrain import ASSUMPTIONS
from rig.analysis.rises import TOO_SMALL
from rig.report.document import Block, Bullets, Column, Heading, Name, Paragraph, Table
from rig.report.words import main_changes, percent, quantity_name, with_spread
from rig.rounding import fixed, with_interval, with_uncertainty

_NOTHING = 0.0005
"""Less than this is what the computer's rounding leaves of errors that cancel."""


def changes(item: Comparison, *, every: bool) -> Iterator[Block]:
    """What became of each quantity; without `every`, of the main ones."""
    baseline, variant = Name(item.baseline), Name(item.variant)
    counts = item.changes[0].runs if item.changes else (0, 0)
    yield Heading(2, ("Numbers: ", baseline, " -> ", variant))
    yield Table(
        (
            Column("quantity"),
            Column((baseline, " +- SD"), "number"),
            Column((variant, " +- SD"), "number"),
            Column("change", "number"),
            Column("95 % interval", "number"),
        ),
        tuple(change_rows(item.changes if every else main_changes(item))),
        (baseline, f" ({counts[0]} runs) to ", variant,
         f" ({counts[1]} runs); +- SD: standard deviation between runs"),
    )  # fmt: skip


def change_rows(changes: Sequence[Change]) -> list[tuple[str, ...]]:
    """A row per quantity: its name, both means, the change and its interval."""
    return [
        (
            quantity_name(change.quantity) + (f" ({change.note})" if change.note else ""),
            with_spread(change.baseline, change.baseline_spread, change.quantity),
            with_spread(change.variant, change.variant_spread, change.quantity),
            *_change_cells(change),
        )
        for change in changes
    ]


def _change_cells(change: Change) -> tuple[str, str]:
    """The change and its interval; of a large temperature rise also in percent."""
    if change.change is None:
        return TOO_SMALL if change.why == TOO_SMALL else "-", "-"
    of_rise = "" if change.rise_pct is None else f" ({fixed(change.rise_pct, 1, sign=True)} %)"
    if change.ci95 is None:
        return f"{fixed(change.change, 2, sign=True)} {change.unit}{of_rise}", "-"
    value, low, high = with_interval(change.change, *change.ci95, sign=True)
    return f"{value} {change.unit}{of_rise}", f"{low} to {high}"


def budget(item: Comparison) -> Iterator[Block]:
    """The standard uncertainties that each interval is made of."""
    yield Heading(3, "What the intervals are made of")
    yield Table(
        (
            Column("quantity"),
            Column("scatter", "number"),
            Column("known", "number"),
            Column("known's share", "number"),
            Column("its largest part"),
        ),
        tuple(
            _budget_row(change, change.scatter)
            for change in item.changes
            if change.scatter is not None
        ),
        "Standard uncertainties of the change: from the scatter between runs, and known "
        "beforehand (the stand's components where their errors do not cancel, the conditions); "
        "and the latter's share of the variance.",
    )


def _budget_row(change: Change, scatter: float) -> tuple[str, ...]:
    known = change.known if change.known >= _NOTHING else 0.0
    variance = scatter**2 + known**2
    share = f"{100.0 * known**2 / variance:.0f} %" if variance else "-"
    largest = max(change.sources, key=lambda name: change.sources[name], default="-")
    return (
        quantity_name(change.quantity),
        f"{_u(scatter)} {change.unit}",
        f"{_u(known)} {change.unit}",
        share,
        largest if known else "-",
    )


def _u(value: float) -> str:
    """A standard uncertainty by itself."""
    return with_uncertainty(0.0, value)[1]


def costs(item: Comparison) -> Iterator[Block]:
    """What each percent of speed cost, and what became of the efficiency."""
    yield Heading(3, "What it cost")
    yield Bullets(tuple(cost_lines(item)))


def cost_lines(item: Comparison) -> list[str]:
    """Percent per percent of speed, efficiency, and a vehicle's speed where there is a gear."""
    lines = []
    for name, ratio in (("current", item.current_per_speed), ("power", item.power_per_speed)):
        if ratio.value is None or ratio.ci95 is None:
            lines.append(f"percent of {name} per percent of speed: not determined, {ratio.why}")
        else:
            value, low, high = with_interval(ratio.value, *ratio.ci95)
            lines.append(
                f"percent of {name} per percent of speed: {value} ({low} to {high}); "
                f"at unchanged efficiency a fan or propeller takes {FAN_EXPONENT:g}"
            )
    efficiency = item.efficiency
    if efficiency.withheld:
        lines.append(f"efficiency: withheld, {efficiency.withheld}")
    elif efficiency.value is not None:
        lines.append(
            f"efficiency, without a torque sensor: {percent(efficiency.value, efficiency.ci95)}; "
            f"assuming: {'; '.join(efficiency.assumptions)}"
        )
    if efficiency.measured_pct is not None:
        measured = percent(efficiency.measured_pct, efficiency.measured_ci95)
        lines.append(f"efficiency, from the torque sensor: {measured}")
    if item.vehicle_speed is not None:
        lines.append(f"a vehicle that did 100 would do {item.vehicle_speed:.2f}")
    return lines


def alternatives(item: Comparison) -> Iterator[Block]:
    """What else would give the speed that this change gave."""
    if not item.alternatives:
        return
    yield Heading(3, "What else would give that speed, estimated")
    names = ("speed", "current", "power", "thrust")
    rows = [
        (
            found.name,
            *(
                "{} +- {}".format(*with_uncertainty(value, 2.0 * u, otherwise=1, sign=True))
                for value, u in (
                    found.speed_pct, found.current_pct, found.power_pct, found.thrust_pct,
                )
            ),
            "; ".join(found.exceeds) or "none",
        )
        for found in item.alternatives
    ]  # fmt: skip
    yield Table(
        (
            Column("instead"),
            *(Column(name, "number", "%") for name in names),
            Column("limits passed"),
        ),
        tuple(rows),
        ("estimated from ", Name(item.baseline), "; +- is the expanded uncertainty (k = 2)"),
    )
    yield Paragraph(f"estimated, assuming: {'; '.join(ASSUMPTIONS)}", small=True)


def conditions(item: Comparison) -> Iterator[Block]:
    """Differences between the setups that are not the change under test."""
    yield Heading(3, "What differs in addition to the change under test")
    lines = [
        found.text
        if found.speed_pct is None
        else f"{found.text}; its likely effect is {fixed(found.speed_pct, 2, sign=True)} % speed"
        for found in item.conditions
    ]
    yield Bullets(tuple(lines or ["Nothing that was measured."]))
