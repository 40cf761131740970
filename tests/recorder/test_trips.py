"""Every way a run is stopped, in simulated time: session and board, no port, no clock.

The journal each run leaves is made into a capture, and the capture must tell the story.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from rig.captures.capture import Capture, load
from rig.captures.convert import convert
from rig.protocol.records import Channel, Hello
from rig.recorder.messages import Ended, Event, Order, Plan, StopRun
from rig.recorder.session import Session
from rig.recorder.states import State
from rig.recorder.stopping import UNPROVEN_AT_MOST_S
from rig.simulator.board import Board, demo_board
from rig.stand.model import OverCurrent, Stand
from rig.stand.sampler import Sampler
from rig.stand.settings import demo_stand, stand_to_dict

STEP_S = 0.002


@dataclass
class Bench:
    """A session and a board that hear each other, on a clock of their own."""

    board: Board
    session: Session = field(init=False)
    events: list[Event] = field(default_factory=list)
    journal: list[bytes] = field(default_factory=list)
    now_s: float = 100.0
    driven_at_end: bool = True

    def run(self, plan: Plan, orders: Iterable[tuple[float, Order]] = ()) -> Ended:
        """Let it happen; `orders` are given so many seconds after the start."""
        self.session = Session(
            plan,
            self.now_s,
            send=self.board.receive,
            keep=self.journal.append,
            tell=self.events.append,
        )
        self.session.remark("begin", dict(plan.beginning), self.now_s)
        waiting = sorted(orders, key=lambda pair: pair[0])
        began_s = self.now_s
        while self.session.ended is None:
            self.now_s += STEP_S
            heard = self.board.advance(STEP_S)
            if heard:
                self.session.on_bytes(heard, self.now_s)
            while waiting and self.now_s - began_s >= waiting[0][0]:
                self.session.on_order(waiting.pop(0)[1], self.now_s)
            self.session.on_time(self.now_s)
            assert self.now_s - began_s < 200.0, "the run does not end"
        return self.session.ended

    def capture(self, folder: Path) -> Capture:
        path = folder / "run.journal"
        path.write_bytes(b"".join(self.journal))
        return load(convert(path))


def plan(stand: Stand | None = None, **changes: object) -> Plan:
    stand = stand or demo_stand()
    beginning = {"setup": "test", "run": 1, "stand": stand_to_dict(stand)}
    made = Plan(stand, "none", Path("none"), beginning, throttle=((70.0, 4.0),), soak_s=0.5)
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def bench(*faults: str, timing_deg: float = 10.0, **settings: object) -> Bench:
    return Bench(demo_board(timing_deg, seed=3, faults=faults, **settings))


def limited(**limits: object) -> Stand:
    stand = demo_stand()
    return dataclasses.replace(stand, limits=dataclasses.replace(stand.limits, **limits))  # type: ignore[arg-type]


def level(key: str, **changes: object) -> Stand:
    stand = demo_stand()
    levels = dict(stand.limits.levels)
    levels[key] = dataclasses.replace(levels[key], **changes)  # type: ignore[arg-type]
    return limited(levels=tuple(levels.items()))


def test_a_whole_run_ends_as_done_and_its_capture_is_complete(tmp_path: Path) -> None:
    stand = bench()
    assert stand.run(plan()).exit_code == 0
    capture = stand.capture(tmp_path)
    meta, frame = capture.meta, capture.frame
    assert [state["state"] for state in meta.states] == [
        "ready", "arming", "armed", "running", "stopping", "coasting", "ended",
    ]  # fmt: skip
    assert meta.statistics["lost"] == 0
    assert (frame["sequence"].diff().dropna() == 1).all()
    assert frame["speed_rpm"].max() > 9000
    assert frame["speed_rpm"].iloc[-1] == 0.0
    assert not stand.board.truth.driven


QUICK_CURVE = OverCurrent("C", pickup_a=40.0, time_multiplier=0.02)

TRIPS: dict[str, tuple[tuple[str, ...], Stand | None, str, str, bool]] = {
    # name: faults, stand (None: the demo's), quantity, cause, whether a warning comes first
    "over-current": (
        ("overcurrent@2",),
        level("current", warn_over=45, trip_over=55),
        "current_a",
        "over",
        True,
    ),
    "inverse-time": (
        ("overcurrent@1=60",),
        limited(overcurrent=QUICK_CURVE),
        "current_a",
        "inverse-time",
        True,
    ),
    "over-voltage": (("overvolt@2",), None, "voltage_v", "over", True),
    "under-voltage": (("undervolt@2",), None, "voltage_v", "cell under-voltage", True),
    "over-speed": (
        ("overspeed@2",),
        level("speed", warn_over=12000, trip_over=13000),
        "speed_rpm",
        "over",
        True,
    ),
    "over-temperature": (
        ("overheat@1",),
        level("motor", warn_over=45, trip_over=55),
        "motor_degc",
        "over",
        True,
    ),
    "longest run": ((), limited(longest_run_s=3.0), "run", "longest run", True),
    "open thermistor": (("motor-open@2",), None, "motor_degc", "open", False),
    "shorted thermistor": (("motor-shorted@2",), None, "motor_degc", "shorted", False),
    "clipped current": (
        ("clip-current@2",),
        level("current", warn_over=85, trip_over=200),
        "current_a",
        "clipped",
        False,
    ),
    "stuck thermistor": (("motor-stuck@0.5",), limited(stuck_s=2.0), "motor_degc", "stuck", False),
    "lines lost": (("drop@1=0.4",), None, "link", "lines lost", False),
}


@pytest.mark.parametrize("name", TRIPS)
def test_a_limit_warns_trips_stops_the_motor_and_is_in_the_capture(
    name: str, tmp_path: Path
) -> None:
    faults, stand, quantity, cause, warns = TRIPS[name]
    made = bench(*faults, abilities="STZ")
    ended = made.run(plan(stand))
    assert (ended.outcome, ended.exit_code) == ("tripped", 3), ended
    assert not made.board.truth.driven
    capture = made.capture(tmp_path)
    of_cause = [a for a in capture.meta.alarms if (a["quantity"], a["cause"]) == (quantity, cause)]
    severities = [alarm["severity"] for alarm in of_cause]
    assert "trip" in severities
    if warns:
        assert severities.index("warning") < severities.index("trip")
    trip = of_cause[severities.index("trip")]
    assert trip["time_s"] > 0.0
    assert trip["text"]
    if cause in ("over", "inverse-time", "cell under-voltage"):
        assert abs(trip["value"]) != abs(trip["limit"])
    states = [state["state"] for state in capture.meta.states]
    assert states[states.index("stopping") :] == ["stopping", "coasting", "ended"]


def test_silence_stops_the_run_as_a_lost_link(tmp_path: Path) -> None:
    made = bench("silent@2")
    ended = made.run(plan())
    assert ended.exit_code == 4
    assert [a["cause"] for a in made.capture(tmp_path).meta.alarms][:1] == ["stale"]
    assert not made.board.truth.driven


def test_the_boards_own_limit_ends_the_run_too() -> None:
    made = bench("overcurrent@2")
    # The host's own level is out of the way: only the board holds 55 A.
    stand = level("current", warn_over=None, trip_over=55.0, hold_s=0.0)
    made.run(plan(stand))
    assert any("limit" in event.text for event in made.events)
    assert not made.board.truth.driven


def test_a_stop_that_is_not_effective_is_the_loudest_thing(tmp_path: Path) -> None:
    made = bench("deaf-stop")
    ended = made.run(plan(throttle=((70.0, 1.0),)))
    assert (ended.outcome, ended.exit_code) == ("stop not effective", 4)
    loud = [event.text for event in made.events if event.loud]
    assert any("THE STOP DID NOT TAKE EFFECT" in text and "by hand" in text for text in loud)
    states = [s["state"] for s in made.capture(tmp_path).meta.states]
    assert states[-2:] == ["unproven", "ended"]
    assert made.board.truth.driven, "the fault must not have been stopped by accident"
    assert made.session.state is State.ENDED
    assert UNPROVEN_AT_MOST_S < 60


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("reset@2", "reset"),
        ("no-answers@1", "answer"),
        ("refuses-arm", "refused"),
        ("protocol-2", "version 2"),
    ],
)
def test_a_board_that_fails_ends_the_run_with_code_4(fault: str, words: str) -> None:
    made = bench(fault)
    ended = made.run(plan(throttle=((50.0, 1.5), (70.0, 2.0))))
    assert ended.exit_code == 4
    assert words in ended.cause
    assert not made.board.truth.driven


def test_noise_on_the_wire_costs_lines_but_not_the_run(tmp_path: Path) -> None:
    faults = ("corrupt=0.02", "cut-lines=0.01", "garbage@1", "duplicate", "reorder")
    made = bench(*faults, "double-mark=0.01", "missing-mark=0.01")
    assert made.run(plan()).exit_code == 0
    capture = made.capture(tmp_path)
    statistics, frame = capture.meta.statistics, capture.frame
    assert statistics["lost"] > 0
    assert sum(statistics["rejected"].values()) > 0
    assert (frame["sequence"].diff().dropna() >= 1).all()
    running = frame[(frame["phase"] == "running") & frame["valid"]]
    settled = running["speed_rpm"].iloc[len(running) // 2 :]
    assert settled.std() < 0.02 * settled.mean()


MARKS = ("double-mark=0.03", "missing-mark=0.03")


def test_a_stop_is_proven_at_once_though_marks_are_missed(tmp_path: Path) -> None:
    made = bench(*MARKS)
    assert made.run(plan()).exit_code == 0
    at_s = {state["state"]: state["time_s"] for state in made.capture(tmp_path).meta.states}
    assert "unproven" not in at_s
    assert at_s["coasting"] - at_s["stopping"] < 0.2


def test_missed_marks_are_no_proof_of_a_stop_that_is_not_effective() -> None:
    made = bench("deaf-stop", *MARKS)
    assert made.run(plan(throttle=((70.0, 1.0),))).outcome == "stop not effective"


def test_the_operator_stops_a_run_and_once_more_ends_the_recording() -> None:
    made = bench()
    ended = made.run(plan(soak_s=60.0), [(2.0, StopRun()), (5.0, StopRun())])
    assert (ended.outcome, ended.exit_code) == ("operator", 3)
    assert made.now_s < 108.0


def test_a_board_that_only_talks_can_be_watched_but_not_stopped() -> None:
    made = bench(abilities="")
    ended = made.run(plan(seconds=1.0, throttle=()))
    assert ended.exit_code == 0
    assert any(event.loud and "only talks" in event.text for event in made.events)


def test_a_board_that_only_talks_is_known_to_a_host_that_comes_late() -> None:
    made = bench(abilities="")
    made.board.advance(0.3)  # Its first introduction goes to nobody.
    assert made.run(plan(seconds=1.0, throttle=())).exit_code == 0


def test_a_wrap_of_every_counter_passes_unnoticed(tmp_path: Path) -> None:
    made = bench(start=(65_500, 2**32 - 3_000_000, 65_500))
    assert made.run(plan()).exit_code == 0
    frame = made.capture(tmp_path).frame
    assert (frame["sequence"].diff().dropna() == 1).all()
    assert frame["time_s"].is_monotonic_increasing
    assert frame["speed_rpm"].max() < 12_000


def test_readings_agree_with_the_truth_within_the_stated_uncertainty(tmp_path: Path) -> None:
    again = bench()
    board, stand = again.board, demo_stand()
    truths: list[tuple[float, float, float, float]] = []
    receive = board.receive

    def watch(data: bytes) -> None:
        receive(data)
        now = board.truth
        truths.append((now.current_a, now.voltage_v, now.speed_rpm, now.motor_degc))

    board.receive = watch  # type: ignore[method-assign]
    again.run(plan(throttle=((60.0, 3.0),)))
    capture = again.capture(tmp_path)
    hello = Hello.parse(capture.meta.hello.split(",")[1:])
    channels = [Channel.parse(body.split(",")[1:]) for body in capture.meta.channels]
    sampler = Sampler(stand, hello, channels)
    frame = capture.frame
    running = frame[(frame["phase"] == "running") & frame["valid"]]
    late = running[running["time_s"] > running["time_s"].iloc[0] + 2.0]
    for at, column in enumerate(("current_a", "voltage_v", "speed_rpm", "motor_degc")):
        settled = [truth for truth in truths if truth[0] > 15.0][-8:]
        true = sum(row[at] for row in settled) / len(settled)
        measured = float(late[column].iloc[-150:].mean())
        u = sampler.uncertainty(column, measured)
        assert abs(measured - true) <= 2.0 * u + 0.002 * abs(true), (column, measured, true, u)
