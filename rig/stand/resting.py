"""What keeps a stand from being armed, and what is worth saying before it is: the rules.

Pure. Each rule takes what was collected `AtRest` and gives its findings. A rule refuses where
the run would be driven with a limit that cannot act, or would end at once; everything else is a
note. Thresholds follow from the uncertainty of the stand's own components and from its limits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from rig.stand.at_rest import ENOUGH_LINES, AtRest, Input
from rig.stand.findings import NOTE, REFUSE, Finding, Severity
from rig.stand.limits import STUCK_FROM_A, Guard
from rig.stand.model import Stand
from rig.stand.quantities import column_of, is_temperature, label_of, places_of, unit_of
from rig.stand.sampler import Sample
from rig.stand.watches import TRIP

IDLE_DRAW_A = 1.5
"""What a controller and its electronics draw while the motor stands (common practice, no source),
but not more than `REST_SHARE` of what the input can read."""

REST_SHARE = 0.05
"""A current at rest of this share of the lowest limit makes that limit wrong by as much."""

COVERAGE = 2.0
"""Standard uncertainties on either side that a reading may be off by (JCGM 100:2008 6.2.1)."""

FULL_CELL_V, HIGHEST_CELL_V = 4.25, 4.35
"""A full lithium cell (4.2 V, and a charger's 1 %), and one of the kind made for a higher voltage:
data-sheet convention, no source."""

EMPTY_CELL_V = 3.0
"""An empty one at rest, where the limits name no voltage for a cell: data-sheet convention."""

NO_SUPPLY_V = 0.5
TEMPERATURES_ALIKE_K = 8.0
"""Sensors of a cold stand differ by less than this: common practice, no source."""

MUCH_NOISE = 0.005
"""Scatter of a line's sum, as a share of the scale: about thirty times that of a ten-bit converter
with a bit of noise (common practice, no source)."""

RATE_OFF = 0.05
LOST_NOTED = 0.01
CLOCKS_APART = 1.5
"""The board's seconds in one of this computer's: less is this computer being busy."""

HELD_AT_REST_S = 61.0
"""Longer than any limit's hold can be set."""

STOPS_FOR = ("current_a", "voltage_v", "speed_rpm", "motor_degc")
"""What a run should be stopped for where it is measured: common practice, no source."""

NOISE = " noise"

_WIRING = {
    "current_a": "Is the throttle at zero? Look at the shunt's amplifier, its zero and its ground.",
    "voltage_v": "Look at the pack, at `cells` in stand.toml, at the divider and its ground.",
}
_THERMISTOR = "Look at the thermistor, its connector and its series resistor."


def judge(rest: AtRest) -> tuple[Finding, ...]:
    """Everything found, refusals first. Nothing at all is a stand that may be armed."""
    if not rest.lines:
        return ()
    found: dict[tuple[str, str], Finding] = {}
    for rule in _RULES:
        for finding in rule(rest):
            # What refuses is not said once more as something less.
            if (finding.about.removesuffix(NOISE), REFUSE) not in found:
                found.setdefault((finding.about, finding.severity), finding)
    return tuple(sorted(found.values(), key=lambda finding: finding.severity == NOTE))


def at_limits(
    stand: Stand, columns: Sequence[str], newest: Sample, silence_s: float = 0.0
) -> Guard:
    """A guard that has judged the newest line; where it has tripped, do not arm."""
    guard = Guard(stand, columns)
    index = columns.index("current_a") if "current_a" in columns else None
    if index is None or not newest.values[index] > STUCK_FROM_A:
        # At rest nothing is a short peak: the newest reading counts as one that has lasted.
        guard.check(newest.time_s - HELD_AT_REST_S, newest)
    guard.check(newest.time_s, newest)
    guard.check_time(silence_s, 0.0, None)
    return guard


def _limits(rest: AtRest) -> Iterator[Finding]:
    """A limit that is passed at rest refuses; a warning is said."""
    guard = at_limits(rest.stand, rest.sampler.columns, rest.newest, rest.silence_s)
    for active in guard.active:
        alarm = active.alarm
        column = alarm.quantity
        where = _THERMISTOR if is_temperature(column) else _WIRING.get(column, "")
        if alarm.severity == TRIP:
            yield Finding(REFUSE, column, alarm.text, where, alarm=alarm)
        elif column != "voltage_v":
            yield Finding(NOTE, column, f"At rest already: {alarm.text}", where)


def _clipped(rest: AtRest) -> Iterator[Finding]:
    for found in rest.inputs.values():
        if found.clipped:
            read = f"{label_of(found.column)} is at the end of its scale, {_value(found)}, at rest."
            where = _WIRING.get(found.column, "Look at its wiring.")
            yield Finding(REFUSE, found.column, read, where)


def _missing(rest: AtRest) -> Iterator[Finding]:
    for column, found in rest.inputs.items():
        if found.missing:
            read = (
                f"{label_of(column)} has no reading in {found.missing} of {len(rest.lines)} lines."
            )
            severity: Severity = REFUSE if 2 * found.missing > len(rest.lines) else NOTE
            yield Finding(severity, column, read, f"A loose contact? {_THERMISTOR}")


def _current(rest: AtRest) -> Iterator[Finding]:
    found = rest.inputs.get("current_a")
    if found is None or rest.driven or math.isnan(found.reading):
        return
    off_a = COVERAGE * found.u
    drawn_a = min(IDLE_DRAW_A, REST_SHARE * found.highest) + off_a
    if -off_a <= found.reading <= drawn_a:
        return
    limits = rest.stand.limits
    level = limits.level("current")
    lowest_a = min(
        [found.highest]
        + ([level.trip_over] if level and level.trip_over is not None else [])
        + ([limits.overcurrent.pickup_a] if limits.overcurrent else [])
    )
    severity: Severity = (
        REFUSE if abs(found.reading) > max(drawn_a, REST_SHARE * lowest_a) else NOTE
    )
    read = f"Current is {found.reading:.1f} A at rest; 0 A to {drawn_a:.1f} A would be right."
    where = _WIRING["current_a"]
    if found.reading < 0:
        where = "Below zero: look at the amplifier's zero, and whether the shunt is reversed."
    yield Finding(severity, "current_a", read, where)


def _supply(rest: AtRest) -> Iterator[Finding]:
    found, limits = rest.inputs.get("voltage_v"), rest.stand.limits
    if found is None or math.isnan(found.reading):
        return
    volts, off_v, cells = found.reading, COVERAGE * found.u, limits.cells
    where = _WIRING["voltage_v"]
    if volts < NO_SUPPLY_V:
        read = f"There is no supply voltage: {volts:.2f} V."
        yield Finding(REFUSE, "voltage_v", read, where)
    elif cells is not None:
        per_cell = f"The supply is {volts:.2f} V, {volts / cells:.2f} V for each of {cells} cells"
        empty_v = limits.cell_warn_v or limits.cell_trip_v or EMPTY_CELL_V
        if volts + off_v < cells * empty_v and not rest.driven:
            read = f"{per_cell}; at rest {empty_v:g} V is empty."
            yield Finding(REFUSE, "voltage_v", read, where)
        elif volts - off_v > cells * FULL_CELL_V:
            too_high = volts - off_v > cells * HIGHEST_CELL_V
            read = f"{per_cell}; 4.2 V is full."
            yield Finding(REFUSE if too_high else NOTE, "voltage_v", read, where)


def _range(rest: AtRest) -> Iterator[Finding]:
    """Limits outside what the inputs can read."""
    limits, inputs = rest.stand.limits, rest.inputs
    supply, cells = inputs.get("voltage_v"), limits.cells
    if supply is not None and cells is not None and 4.2 * cells > supply.highest:
        level = limits.level("voltage")
        blind = level is not None and (level.trip_over or 0.0) > supply.highest
        read = (
            f"Voltage reads up to {supply.highest:.1f} V; {cells} full cells are "
            f"{4.2 * cells:.1f} V{', and a limit lies above it' if blind else ''}."
        )
        severity: Severity = REFUSE if blind else NOTE
        where = "Make the divider's upper resistor larger, or correct it in stand.toml."
        yield Finding(severity, "voltage range", read, where, of_settings=True)
    highest = {column: found.highest for column, found in inputs.items()}
    lowest = {column: found.lowest for column, found in inputs.items()}
    if "current_a" in highest and "voltage_v" in highest:
        highest["power_w"] = highest["current_a"] * highest["voltage_v"]
    for key, level in limits.levels:
        column = column_of(key)
        for name, limit in (("warn_over", level.warn_over), ("trip_over", level.trip_over)):
            if limit is not None and limit > highest.get(column, math.inf):
                yield _out_of_reach(column, f"limits.{key}.{name}", limit, "up", highest[column])
        for name, limit in (("warn_under", level.warn_under), ("trip_under", level.trip_under)):
            if limit is not None and limit < lowest.get(column, -math.inf):
                yield _out_of_reach(column, f"limits.{key}.{name}", limit, "down", lowest[column])
    if limits.overcurrent is not None and limits.overcurrent.pickup_a > highest["current_a"]:
        pickup_a, end_a = limits.overcurrent.pickup_a, highest["current_a"]
        yield _out_of_reach("current_a", "limits.overcurrent.pickup_a", pickup_a, "up", end_a)


def _out_of_reach(column: str, key: str, limit: float, way: str, end: float) -> Finding:
    unit, places = unit_of(column), places_of(column)
    read = (
        f"{key}, {limit:g} {unit}, lies beyond the scale: {label_of(column).lower()} reads {way} "
        f"to {end:.{places}f} {unit}."
    )
    return Finding(NOTE, key, read, "Lower the limit, or measure further.", of_settings=True)


def _without_limits(rest: AtRest) -> Iterator[Finding]:
    """What is measured, and stops nothing."""
    limits, columns = rest.stand.limits, rest.sampler.columns
    tripping = {
        column_of(key)
        for key, level in limits.levels
        if level.trip_over is not None or level.trip_under is not None
    }
    tripping |= {"current_a"} if limits.overcurrent or "power_w" in tripping else set()
    tripping |= {"voltage_v"} if limits.cells and limits.cell_trip_v else set()
    without = [each for each in columns if each in STOPS_FOR and each not in tripping]
    if without:
        names = ", ".join(label_of(column).lower() for column in without)
        read = f"Nothing stops the motor for its {names}: there is no trip level."
        where = "Give each a limit in stand.toml: `rig help stand`, [limits.NAME]."
        yield Finding(NOTE, "limits", read, where, of_settings=True)


def _temperatures(rest: AtRest) -> Iterator[Finding]:
    known = {
        column: found.reading
        for column, found in rest.inputs.items()
        if is_temperature(column) and not math.isnan(found.reading)
    }
    if (
        rest.driven
        or len(known) < 2
        or max(known.values()) - min(known.values()) <= (TEMPERATURES_ALIKE_K)
    ):
        return
    hottest, coldest = max(known, key=known.__getitem__), min(known, key=known.__getitem__)
    read = (
        f"{label_of(hottest)} is {known[hottest]:.1f} °C, {label_of(coldest).lower()} "
        f"{known[coldest]:.1f} °C."
    )
    where = "Still warm from a run? After a long rest they should agree: look at the thermistors."
    yield Finding(NOTE, "temperatures", read, where)


def _noise(rest: AtRest) -> Iterator[Finding]:
    if len(rest.lines) < ENOUGH_LINES:
        return
    judged = [
        found
        for found in rest.inputs.values()
        if found.has_noise and not found.clipped and not math.isnan(found.reading)
    ]
    still = [found for found in judged if found.noise_share == 0.0]
    if still and len(still) == len(judged) > 1:
        read = "No input moves by a single step from line to line."
        yield Finding(
            NOTE, "noise", read, "Has this converter no noise? Then give a longer stuck_s."
        )
        return
    for found in still:
        read = f"{label_of(found.column)} does not move by a single step: {_value(found)}."
        where = "Is the input stuck?"
        if found.at_lowest:
            where = "It is at the lower end of its scale: open, reversed, or below its zero?"
        yield Finding(NOTE, found.column + NOISE, read, where)
    for found in judged:
        if found.noise_share > MUCH_NOISE and not rest.driven:
            unit, places = unit_of(found.column), places_of(found.column) + 1
            read = (
                f"{label_of(found.column)} scatters by {found.noise:.{places}f} {unit} from line "
                f"to line, {100 * found.noise_share:.1f} % of its scale."
            )
            where = "Look for a loose contact, a missing filter or a bad ground."
            yield Finding(NOTE, found.column + NOISE, read, where)


def _tachometer(rest: AtRest) -> Iterator[Finding]:
    if rest.stand.tachometer is None or not rest.edges:
        return
    read = f"The tachometer gave {rest.edges} edges in {rest.span_s:.1f} s at rest."
    where = "Does the rotor still turn? Else it hears noise: look at its cable, pull-up and light."
    if rest.driven:
        where = "The motor runs already: what a stand reads at rest could not be checked."
    yield Finding(NOTE, "speed_rpm", read, where)


def _lines(rest: AtRest) -> Iterator[Finding]:
    """Lines that do not come, or not when the board says."""
    lines, hello = rest.lines, rest.hello
    steps = lines[-1].step.sequence - lines[0].step.sequence
    if len(lines) < ENOUGH_LINES or rest.span_s <= 0.0:
        return
    lost, limit = steps + 1 - len(lines), rest.stand.limits.lost_fraction
    if lost > LOST_NOTED * (steps + 1):
        too_many = lost > limit * (steps + 1)
        read = f"{lost} of {steps + 1} lines are lost; {100 * limit:g} % is the limit."
        where = "Look at the cable, its shield, and the line speed on both sides."
        yield Finding(REFUSE if too_many else NOTE, "link", read, where)
    came_hz = steps / rest.span_s
    if abs(came_hz / hello.line_hz - 1.0) > RATE_OFF:
        read = f"{came_hz:.0f} lines a second come; the board announced {hello.line_hz}."
        where = "Is the firmware's clock setting that of the board's crystal? Speeds depend on it."
        yield Finding(NOTE, "line rate", read, where)
    host_s = lines[-1].host_s - lines[0].host_s
    if host_s > 0.0 and not 1 / CLOCKS_APART < rest.span_s / host_s < CLOCKS_APART:
        read = f"The board counted {rest.span_s:.2f} s in {host_s:.2f} s of this computer."
        where = "Is `tick_hz` in its firmware right? Speeds depend on it. Is this computer busy?"
        yield Finding(NOTE, "clock", read, where)


def _plan(rest: AtRest) -> Iterator[Finding]:
    if rest.no_throttle:
        read = "This board drives the throttle, and the run has no throttle steps: nothing turns."
        where = "Give --throttle, such as 40:5,80:10."
        yield Finding(REFUSE, "throttle", read, where, of_settings=True)


_RULES: tuple[Callable[[AtRest], Iterator[Finding]], ...] = (
    _plan, _limits, _clipped, _missing, _current, _supply, _range, _without_limits, _temperatures,
    _noise, _tachometer, _lines,
)  # fmt: skip


def _value(found: Input) -> str:
    return f"{found.reading:.{places_of(found.column)}f} {unit_of(found.column)}"
