"""The drive on the stand as a whole; what nobody says otherwise is Marram's."""

from __future__ import annotations

from dataclasses import dataclass, field

from rig.simulator.electronics import Electronics
from rig.simulator.parts import BenchSupply, Controller, Gear, Heat, Motor, Pack, Rotor

PLACES = {
    "motor": "case_degc",
    "winding": "winding_degc",
    "controller": "controller_degc",
    "pack": "pack_degc",
    "air": "surroundings.air_degc",
}
"""Where a temperature can be taken, and what the plant calls it there."""

_QUANTITIES = {
    "current": "current_a",
    "voltage": "voltage_v",
    "torque": "torque_nm",
    "thrust": "thrust_n",
}


@dataclass(frozen=True, slots=True)
class Drive:
    """Motor, rotor and all that belongs to them, and the board's electronics."""

    motor: Motor = field(default_factory=Motor)
    rotor: Rotor = field(default_factory=Rotor)
    gear: Gear = field(default_factory=Gear)
    controller: Controller = field(default_factory=Controller)
    supply: Pack | BenchSupply = field(default_factory=Pack)
    heat: Heat = field(default_factory=Heat)
    board: Electronics = field(default_factory=Electronics)
    sits: tuple[tuple[str, str], ...] = ()
    """Temperatures of other names than `PLACES` has, and their places."""

    def quantity(self, key: str) -> str | None:
        """What the plant calls the quantity of a stand's channel; None where nobody knows."""
        return _QUANTITIES.get(key) or PLACES.get(dict(self.sits).get(key, key))
