"""What hands do at the simulated stand: turn, press, pull the plug."""

from __future__ import annotations

import pytest

from rig.errors import SettingsError
from rig.protocol import commands
from rig.protocol.records import Status
from rig.simulator.board import Board, demo_board
from rig.simulator.day import plant_for
from rig.simulator.examples import text_of
from rig.simulator.motor_file import parse_drive
from rig.simulator.settings import Settings
from rig.stand.settings import parse_stand
from tests.simulator.host import Host


def test_one_turn_by_hand_is_one_turn_of_marks() -> None:
    host = Host(demo_board())
    before = host.data[-1].edges
    for turns in (1, 2, 3):
        host.board.happen("turn")
        host.pass_time(1.5)
        assert host.data[-1].edges - before == 2 * turns
    assert host.board.truth.speed_rpm == 0.0


def test_behind_a_gear_a_hand_turns_what_the_tachometer_sees() -> None:
    stand, drive = (text_of("geared_car", file) for file in ("stand.toml", "motor.toml"))
    settings = Settings(stand=parse_stand(stand, "stand"), drive=parse_drive(drive, "motor"))
    host = Host(Board(plant_for(settings), settings))
    before = host.data[-1].edges
    host.board.happen("turn")
    host.pass_time(1.5)
    assert host.data[-1].edges - before == 4


def test_the_stop_input_cuts_and_holds_the_arm_back_while_it_is_pressed() -> None:
    host = Host(demo_board())
    host.run(200, 0.3)
    host.board.happen("button")
    host.pass_time(0.05)
    assert [(cut.cause, cut.where) for cut in host.cuts] == [("button", "-")]
    assert host.status & Status.BUTTON and host.status & Status.CUT
    arm = commands.Arm(host.hello.boot)
    refused = host.tell(arm)
    assert refused is not None and refused.reason == "state"
    host.pass_time(0.6)
    answer = host.tell(arm)
    assert answer is not None and answer.accepted


def test_the_supply_can_be_taken_off_and_put_on_again() -> None:
    host = Host(demo_board())
    at_rest_v = host.board.truth.voltage_v
    host.board.happen("supply off")
    host.pass_time(2.0)
    assert abs(host.board.truth.voltage_v) < 0.1
    host.board.happen("supply on")
    host.pass_time(2.0)
    assert host.board.truth.voltage_v == pytest.approx(at_rest_v, abs=0.1)


def test_an_unknown_event_is_said() -> None:
    with pytest.raises(SettingsError, match="unknown event 'kick'"):
        demo_board().happen("kick")


FAULTS = {"no-watch": ["button"], "deaf-limits": ["button"], "dead-input": ["limit"]}
"""What a board with the fault still cuts for, in what follows."""


@pytest.mark.parametrize("fault", FAULTS)
def test_a_board_that_does_not_cut(fault: str) -> None:
    host = Host(demo_board(faults=[fault]))
    host.run(200, 0.2)
    host.beating = fault != "no-watch"
    if fault == "no-watch":
        host.pass_time(1.0)
    else:
        host.tell(commands.Limit(0, None, -1000, 0))
    host.board.happen("button")
    host.pass_time(0.05)
    assert [cut.cause for cut in host.cuts] == FAULTS[fault]
