"""Every cause of an alarm: whether it warns or trips, and what to look at.

`rig help alarms` is made from this table. A test compares it with the causes in the code, so that
no alarm is without its row. Alarms themselves are made in `limits` and `plausibility`.
"""

from __future__ import annotations

from typing import NamedTuple

from rig.vocabulary import STALE, RunOutcome

BLINDS = "trips where a trip level depends on the reading, and warns otherwise"


class Cause(NamedTuple):
    """What raises an alarm, what the alarm does, and what to look at."""

    name: str
    about: str
    """The quantity, or the part of the stand."""
    does: str
    when: str
    look_at: str


CAUSES = (
    # Levels and times of stand.toml
    Cause("over", "any quantity", "warns or trips, by its level",
          "A reading is above `warn_over` or `trip_over` for `hold_s`.",
          "The load, the throttle steps and the level in stand.toml."),
    Cause("under", "any quantity", "warns or trips, by its level",
          "A reading is below `warn_under` or `trip_under` for `hold_s`. Quantities that start "
          "from 0 (speed, current, power, torque, thrust) must have come up to the level before.",
          "The load, the pack and the level in stand.toml."),
    Cause("cell under-voltage", "voltage", "warns or trips, by its level",
          "The supply is below `cells` times `cell_warn_v` or `cell_trip_v` for `cell_hold_s`.",
          "The pack: charge it. Also the number of cells."),
    Cause("inverse-time", "current", "warns at half of the allowed time, then trips",
          "Current was above `pickup_a` for longer than the curve of [limits.overcurrent] allows.",
          "The load and the throttle steps."),
    Cause("longest run", "run", "warns at 90 % of the time, then trips",
          "The run has lasted `longest_run_s`.",
          "The plan's throttle steps and the limit."),
    # The link
    Cause(STALE, "link", "trips",
          "No line came from the board for `stale_s`.",
          "Cable, connector, the board's supply, and the load of this computer."),
    Cause("lines lost", "link", "trips",
          "Of the lines of the last seconds, more than `lost_fraction` are lost.",
          "Cable and its distance from the motor's leads; the baud rate."),
    # Inputs
    Cause("clipped", "any quantity", "trips where the quantity has a trip level, warns otherwise",
          "The input is at the end of its scale: the true value is not known.",
          "The sensor's leads and its range."),
    Cause("open", "temperature", "trips",
          "A resistive sensor has more resistance than it can have at any temperature.",
          "The sensor and its lead: broken or unplugged."),
    Cause("shorted", "temperature", "trips",
          "A resistive sensor has less resistance than it can have at any temperature.",
          "The sensor and its lead: two wires touch."),
    Cause("stuck", "any quantity",
          f"trips after `stuck_s`; for a temperature it comes earlier, and {BLINDS}",
          "A reading does not change by a single step while current flows.",
          "The sensor's lead and the board's input."),
    # Readings that cannot be true while the motor is driven
    Cause("reversed", "current", BLINDS,
          "Current reads negative while the drive turns the rotor.",
          "The shunt's leads: reversed."),
    Cause("no current", "current", BLINDS,
          "No current is read at a speed that needs some.",
          "The shunt's leads: reversed or open."),
    Cause("swings", "current", "warns",
          "Current comes and goes while speed stays the same.",
          "The filter of the shunt's input: a ripple sampled in step gives false means."),
    Cause("no speed", "speed", BLINDS,
          "Current flows and no turn is seen.",
          "The rotor first: it may be blocked. Then the tachometer: lead, lamp, marks."),
    Cause("too fast", "speed", "warns",
          "Speed is above what `rpm_per_volt`, voltage and throttle allow.",
          "`pulses_per_revolution`: edges may be counted twice."),
    Cause("too slow", "speed", BLINDS,
          "Speed is below what `rpm_per_volt`, voltage and throttle require.",
          "The tachometer's marks and `pulses_per_revolution`: marks may be missed."),
    Cause("no voltage", "voltage", BLINDS,
          "Voltage reads zero while the motor is driven.",
          "The divider: its upper resistor or its lead is open."),
    Cause("rises with current", "voltage", "warns",
          "Voltage rises together with current.",
          "The divider's ground: the motor's current must not flow through it."),
    Cause("loose", "temperature", BLINDS,
          "A temperature sensor is open or shorted again and again, each time for a moment.",
          "The sensor's lead: loose."),
    Cause("jumps", "temperature", BLINDS,
          "A temperature moves faster than a temperature can.",
          "The sensor's lead: loose."),
    Cause("uneven marks", "speed", "warns",
          "Two of the tachometer's marks are off their place by much.",
          "The marks: their places, and dirt or light between them."),
    Cause("uneven edges", "speed", "warns",
          "Many speeds of the last second are thrown out, because their edges come unevenly.",
          "The marks: their places, and dirt or light between them."),
    Cause("nothing happens", "throttle", BLINDS,
          "Throttle is given, and neither current nor speed is seen.",
          "The controller's supply and throttle lead; if the motor turns, the sensors."),
    Cause("never given", "throttle", "warns",
          "The run began, or ended, without any throttle.",
          "The plan's throttle steps, or the lead by which throttle is given."),
    # After a stop
    Cause(RunOutcome.STOP_NOT_EFFECTIVE, "current", "trips",
          "Current or speed did not fall after a stop, or nobody could see whether they did.",
          "THE MOTOR MAY STILL TURN. Disconnect the supply by hand, now."),
)  # fmt: skip
