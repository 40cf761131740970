"""The stands of the table: the simulator's examples and Marram's."""

from __future__ import annotations

from functools import cache

from rig.simulator.drive import Drive
from rig.simulator.examples import EXAMPLES, text_of
from rig.simulator.motor_file import parse_drive
from rig.stand.model import Stand
from rig.stand.settings import demo_stand, parse_stand

STANDS = (*EXAMPLES, "marram")


@cache
def stand_and_drive(name: str) -> tuple[Stand, Drive]:
    """A stand by its name, and the drive on it."""
    if name == "marram":
        return demo_stand(), Drive()
    return (
        parse_stand(text_of(name, "stand.toml"), f"{name}/stand.toml"),
        parse_drive(text_of(name, "motor.toml"), f"{name}/motor.toml"),
    )
