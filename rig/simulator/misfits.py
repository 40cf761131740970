"""What of a stand no board can serve, and what does not go together with the drive on it."""

from __future__ import annotations

from collections.abc import Sequence

from rig.protocol.records import MOST_CHANNELS
from rig.simulator.drive import PLACES, Drive
from rig.simulator.electronics import SENT, Roles, can_be_sent, roles
from rig.simulator.faults import Fault
from rig.simulator.transducers import transducer
from rig.stand.mistakes import plain_key
from rig.stand.model import Stand


def misfits(stand: Stand, drive: Drive, faults: Sequence[Fault]) -> list[str]:
    """Each in one sentence without its full stop."""
    found = []
    if len(stand.channels) > MOST_CHANNELS:
        found.append(f"{len(stand.channels)} channels, a board has at most {MOST_CHANNELS}")
    for channel in stand.channels:
        where = f"channels.{channel.key}"
        if drive.quantity(channel.key) is None:
            found.append(
                f"{where}: where does it sit? Say so under [temperatures] in the motor's file, "
                f'such as {channel.key} = "motor"; places are {", ".join(PLACES)}'
            )
        if not can_be_sent(channel.board_label):
            found.append(f"{where}.board_label: a board sends {SENT}")
    keys = {channel.key for channel in stand.channels}
    for key, _ in drive.board.own:
        if key not in keys:
            found.append(f"board.inputs.{plain_key(key)}: the stand has no such channel")
    parts = roles(stand)
    found += [words for fault in faults if (words := _unmet(fault.name, parts))]
    return list(dict.fromkeys(found))


def _unmet(fault: str, parts: Roles) -> str:
    """What a fault of the wiring needs and the stand does not have."""
    needs = {
        "shunt": ("a current channel", parts.current is not None),
        "clip": ("a current channel", parts.current is not None),
        "ripple": ("a current channel", parts.current is not None),
        "divider": ("a voltage channel", parts.voltage is not None),
        "ground": ("a voltage channel", parts.voltage is not None),
        "reference": ("a current or voltage channel", bool(parts.absolute)),
        "motor": ("a thermistor", bool(parts.thermistors)),
        "tachometer": ("a tachometer", parts.marks > 0),
    }
    what, met = needs.get(fault.partition("-")[0], ("", True))
    if fault == "motor-swapped":
        what, met = "two thermistors", len(parts.thermistors) > 1
    if fault == "tachometer-uneven":
        what, met = "a tachometer of two marks or more", parts.marks > 1
    return "" if met else f"the fault {fault} needs {what}, which the stand does not have"


def clipped_supply(stand: Stand, drive: Drive, highest_v: float) -> str:
    """What to say where the supply reaches beyond the voltage channel's scale; else nothing."""
    for channel in stand.channels:
        if channel.key == "voltage":
            wired = drive.board.behind(channel.key, channel.sensor)
            level = transducer(channel.sensor, wired.full_scale)
            per_v = level(1.0) - level(0.0)
            end = wired.full_scale - 1 if per_v > 0.0 else wired.lowest
            reads_v = (end - level(0.0)) / per_v
            if highest_v >= reads_v:
                return (
                    f"the supply clips: {channel.board_label!r} reads up to {reads_v:.1f} V, and "
                    f"the supply has up to {highest_v:.1f} V"
                )
    return ""
