"""The session's pure parts: states, proof, steps, conversation, introduction, readings."""

import math
from collections.abc import Callable

import pytest

from rig.protocol import commands
from rig.protocol.records import Answer, Channel, Hello, Status
from rig.recorder.conversation import AGAIN_AFTER_S, OVERDUE_AFTER_S, Conversation
from rig.recorder.introduction import Introduction, foreign, no_introduction
from rig.recorder.proof import PROVE_WITHIN_S, Proof
from rig.recorder.readings import TRACE_LENGTH, Readings
from rig.recorder.states import TABLE, Happening, IllegalEventError, State, after, allows
from rig.recorder.steps import Steps
from rig.recorder.stopping import Stopping
from rig.stand.sampler import Sample


def test_no_way_from_running_to_coasting_but_through_a_proven_stop() -> None:
    into_coasting = {key for key, state in TABLE.items() if state is State.COASTING}
    assert into_coasting == {(State.STOPPING, Happening.FELL), (State.UNPROVEN, Happening.FELL)}


def test_every_state_but_the_end_can_be_left_and_the_end_cannot() -> None:
    for state in State:
        ways_out = [happening for happening in Happening if allows(state, happening)]
        assert bool(ways_out) == (state is not State.ENDED)


def test_an_event_that_the_table_does_not_have_raises() -> None:
    for state in State:
        for happening in Happening:
            if not allows(state, happening):
                with pytest.raises(IllegalEventError, match=f"{happening.name} in state"):
                    after(state, happening)


@pytest.mark.parametrize("state", [State.READY, State.ARMING, State.ARMED, State.RUNNING])
def test_stop_means_something_wherever_a_motor_could_turn(state: State) -> None:
    assert after(state, Happening.STOP) is State.STOPPING


@pytest.mark.parametrize(
    ("now", "unusable", "holds"),
    [
        ({"current_a": 2.0, "speed_rpm": 7000.0}, frozenset(), True),
        ({"current_a": 30.0, "speed_rpm": 7000.0}, frozenset(), False),
        ({"current_a": 2.0, "speed_rpm": 9900.0}, frozenset(), False),
        ({"current_a": 2.0, "speed_rpm": math.nan}, frozenset(), False),
        ({"current_a": 2.0, "speed_rpm": 7000.0}, frozenset({"current_a"}), False),
        ({"current_a": -0.3, "speed_rpm": 0.0}, frozenset(), True),
        ({"speed_rpm": 7000.0}, frozenset(), True),
        ({}, frozenset(), False),
    ],
)
def test_a_stop_is_proven_by_falling_readings_only(
    now: dict[str, float], unusable: frozenset[str], holds: bool
) -> None:
    proof = Proof.begin({"current_a": 40.0, "speed_rpm": 10000.0})
    assert proof.holds(now, unusable) is holds


@pytest.mark.parametrize(
    ("reads_rpm", "holds"),
    [
        # Stopped while it spins up: the first readings after the stop are still low.
        (lambda t: 900.0 if t < 0.05 else 3000.0 - 1000.0 * t, True),
        # A motor that goes on is not proven, neither at its speed nor while it gains more.
        (lambda _: 3000.0, False),
        (lambda t: 900.0 + 3000.0 * t, False),
        # A speed that was read once, and no sooner than 0.3 s after the stop.
        (lambda t: 900.0 if t < 0.35 else 3000.0 - 1000.0 * t, False),
    ],
)
def test_a_speed_that_was_read_late_is_no_stop_that_failed(
    reads_rpm: Callable[[float], float], holds: bool
) -> None:
    stopping = Stopping(Conversation(), lambda _: None)
    stopping.expect_fall({"speed_rpm": 900.0})
    proven = []
    for line in range(int(PROVE_WITHIN_S / 0.01)):
        after_s = 0.01 * line
        values = {"speed_rpm": reads_rpm(after_s)}
        sample = Sample(7.0 + after_s, (values["speed_rpm"],), (), (), int(Status.CUT))
        proven.append(stopping.is_proven(sample, values, obeys=True))
    assert proven[-1] is holds


def test_a_glitch_after_the_stop_is_not_the_speed_that_must_fall() -> None:
    stopping = Stopping(Conversation(), lambda _: None)
    stopping.expect_fall({"speed_rpm": 3000.0})
    for after_s, reads_rpm, faults in (
        (0.0, 60000.0, (("speed_rpm", "glitch"),)),
        (0.1, 3000.0, ()),
    ):
        sample = Sample(after_s, (reads_rpm,), (), faults, int(Status.CUT))
        assert not stopping.is_proven(sample, {"speed_rpm": reads_rpm}, obeys=True)


def test_a_motor_at_rest_is_proven_stopped_at_once() -> None:
    resting = {"current_a": 0.2, "speed_rpm": 0.0}
    assert Proof.begin(resting).holds(resting, frozenset())


def test_steps_come_due_once_each_and_the_last_one_stays() -> None:
    steps = Steps(((40.0, 2.0), (80.0, 1.0)))
    due = [steps.due(elapsed_s) for elapsed_s in (0.0, 1.9, 2.0, 2.5, 3.5)]
    assert due == [40.0, None, 80.0, None, None]
    assert steps.instruction(0.5) == "throttle to 40 %, hold 2 s"
    steps.give_up()
    assert steps.instruction(0.5) == ""


def test_a_command_is_told_again_under_its_number_until_answered() -> None:
    talk = Conversation()
    first = talk.tell(commands.Throttle(400), 0.0)
    assert talk.again(AGAIN_AFTER_S / 2) == b""
    assert talk.again(AGAIN_AFTER_S) == first
    assert talk.overdue(OVERDUE_AFTER_S) == commands.Throttle(400)
    assert talk.hear(Answer(1)) == commands.Throttle(400)
    assert talk.hear(Answer(1)) is None
    assert talk.overdue(99.0) is None


def test_nothing_told_before_a_stop_is_told_again_after_it() -> None:
    talk = Conversation()
    talk.tell(commands.Throttle(900), 0.0)
    stop = talk.tell(commands.Stop(), 0.1)
    assert stop.startswith(commands.STOP_WORD)
    assert talk.again(9.0) == stop


def hello(boot: int = 7, channels: int = 1, protocol: int = 1) -> Hello:
    return Hello(protocol, "b", "1", boot, 1000, 100, frozenset("S"), channels)


def channel(index: int = 0) -> Channel:
    return Channel(index, "current", f"c{index}", 1024, 1, frozenset(), 0)


def test_an_introduction_is_complete_in_any_order_of_its_lines() -> None:
    board = Introduction()
    for record in (channel(1), hello(channels=2)):
        board.hear(record)
        assert board.channels() is None
    board.hear(channel(0))
    assert board.channels() == [channel(0), channel(1)]
    assert (board.label("1"), board.label("e"), board.label("x")) == ("c1", "speed", "x")


def test_a_new_boot_makes_the_old_introduction_void() -> None:
    board = Introduction()
    board.hear(hello())
    board.hear(channel(0))
    board.hear(hello(boot=8))
    assert board.channels() is None


def test_only_a_foreign_protocol_version_is_refused() -> None:
    assert foreign(hello()) is None
    refused = foreign(hello(protocol=2))
    assert refused is not None
    assert "version 2" in refused.cause


@pytest.mark.parametrize(
    ("heard", "good", "words"),
    [(False, 0, "says nothing"), (True, 0, "at 57600 baud"), (True, 5, "introduce")],
)
def test_a_missing_introduction_is_explained_by_what_was_heard(
    heard: bool, good: int, words: str
) -> None:
    assert words in no_introduction(heard_bytes=heard, good_lines=good, baud=57600).cause


def sample(time_s: float, *values: float) -> Sample:
    return Sample(time_s=time_s, values=values, clipped=(), faults=(), status=0)


def test_charge_and_energy_are_trapezoids_over_the_boards_time() -> None:
    readings = Readings(("current_a", "power_w"))
    for time_s, amps in ((0.0, 10.0), (1.0, 20.0), (3.0, 20.0)):
        readings.add(sample(time_s, amps, 10.0 * amps))
    assert readings.charge_as == pytest.approx(15.0 + 40.0)
    assert readings.energy_j == pytest.approx(550.0)


def test_the_trace_keeps_a_peak_of_one_line_and_peaks_keep_it_for_good() -> None:
    readings = Readings(("current_a",))
    for i in range(1000):
        readings.add(sample(i * 0.01, 99.0 if i == 905 else math.nan if i % 7 == 0 else 5.0))
    assert len(readings.trace()) == TRACE_LENGTH
    assert max(high[0] for _, _, high in readings.trace()) == 99.0
    assert min(low[0] for _, low, _ in readings.trace()) == 5.0
    assert readings.peaks() == (99.0,)


def test_a_new_boot_begins_a_new_trace_but_keeps_the_peaks() -> None:
    readings = Readings(("speed_rpm",))
    for i in range(60):
        readings.add(Sample(5.0 + 0.005 * i, (9000.0 + i,), (), (), 1))
    readings.begin_anew()
    for i in range(60):
        readings.add(Sample(0.005 * i, (100.0,), (), (), 1))
    assert [row[0] for row in readings.trace()] == [0, 1]
    assert readings.peaks() == (9059.0,)
