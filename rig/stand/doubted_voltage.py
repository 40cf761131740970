"""Voltage that is not there while the motor is driven, or that rises with current.

A supply has a resistance: what it gives sags when current rises. A reading that rises by more than
regulation or a recovering pack explains shares its ground with the motor's current.
"""

from __future__ import annotations

from collections.abc import Iterator

from rig.stand.driven import SETTLED_S, Doubt, Driven, Look
from rig.stand.watches import amount

SAG_A = 0.05
"""Rise of current, as a share of the limit, from which the supply must not rise."""

SAG_V = 0.01
"""Relative rise of voltage that regulation or a recovering pack may show."""


def doubted_voltage(driven: Driven, look: Look) -> Iterator[Doubt]:
    """What is in doubt now."""
    low = driven.lives(look) and look.voltage_v <= driven.bottom_v
    if driven.held("no voltage", low):
        text = (
            f"Voltage reads {amount(look.voltage_v, 'voltage_v')} while the motor is driven. "
            "Look at the divider: its upper resistor or its lead is open."
        )
        blinds = "voltage_v" in driven.tripping
        yield Doubt("voltage_v", "no voltage", text, look.voltage_v, blinds)
    before = driven.ago(look, SETTLED_S)
    if before is None or not driven.changed_lately(look):
        driven.held("sag", False)
        return
    rise_v, rise_a = look.voltage_v - before.voltage_v, look.current_a - before.current_a
    rises = rise_a > max(SAG_A * driven.scale_a, driven.sure_a)
    if driven.held("sag", rises and rise_v > SAG_V * before.voltage_v):
        text = (
            f"Voltage rose by {rise_v:.2f} V while current rose by {rise_a:.1f} A. Look at the "
            "divider's ground: the motor's current must not flow through it."
        )
        yield Doubt("voltage_v", "rises with current", text, look.voltage_v)
