"""The session as a table: every state, every event, and what comes of it.

A cell says which lines went to the board (`STOP` is the bare word), then `>` and the next
state where it changes, then `!` and the outcome where the run ends or its verdict is known.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from rig.protocol.framing import frame
from rig.recorder.messages import (
    Acknowledge,
    ArmRun,
    Ended,
    Mark,
    SetThrottle,
    StartRun,
    StopRun,
    TakeZero,
)
from rig.recorder.states import HEARTBEATS, State
from tests.recorder.hand import ARMED, CUT, HEARTBEAT, LIMIT, RESTING, TOO_MUCH, Hand

REFUSED = Ended("disk", 5, "the disk refused")


def another_boot(hand: Hand) -> None:
    hand.boot += 1
    hand.introduce()


def refused_throttle(hand: Hand) -> None:
    hand.session.on_order(SetThrottle(30.0), hand.now_s)
    hand.answer("state")


def zero(hand: Hand) -> None:
    hand.session.on_order(TakeZero(), hand.now_s)


def zero_and_arm(hand: Hand) -> None:
    zero(hand)
    hand.session.on_order(ArmRun(), hand.now_s)


EVENTS: dict[str, Callable[[Hand], None]] = {
    "arm": lambda hand: hand.session.on_order(ArmRun(), hand.now_s),
    "zero": zero,
    "zero, then arm": zero_and_arm,
    "start": lambda hand: hand.session.on_order(StartRun(), hand.now_s),
    "stop": lambda hand: hand.session.on_order(StopRun(), hand.now_s),
    "throttle": lambda hand: hand.session.on_order(SetThrottle(30.0), hand.now_s),
    "acknowledge": lambda hand: hand.session.on_order(Acknowledge(), hand.now_s),
    "mark": lambda hand: hand.session.on_order(Mark("gust"), hand.now_s),
    "10 ms": lambda hand: hand.tick(),
    "160 ms": lambda hand: hand.tick(0.16),
    "1.1 s": lambda hand: hand.tick(1.1),
    "line as before": lambda hand: hand.data(),
    "line at rest, cut": lambda hand: hand.data(CUT, RESTING),
    "line at rest, armed": lambda hand: hand.data(ARMED, RESTING),
    "line beyond a limit": lambda hand: hand.data(None, TOO_MUCH),
    "line cut for silence": lambda hand: hand.data(CUT | HEARTBEAT, RESTING),
    "line cut for a limit": lambda hand: hand.data(CUT | LIMIT, RESTING),
    "report of our stop": lambda hand: hand.cut("stop"),
    "report of silence": lambda hand: hand.cut("heartbeat"),
    "report of a button": lambda hand: hand.cut("button"),
    "answer ok": lambda hand: hand.answer(),
    "answer no": lambda hand: hand.answer("state"),
    "throttle refused": refused_throttle,
    "another boot": another_boot,
    "a host's line": lambda hand: hand.say(frame('!end,1.000000,{"outcome":"done"}')),
    "garbage": lambda hand: hand.say(bytes(range(256)) + b"\n"),
    "front lost": lambda hand: hand.session.on_front_lost(hand.now_s),
    "front silent": lambda hand: hand.session.on_front_silent(hand.now_s),
    "link lost": lambda hand: hand.session.on_link_lost("unplugged", hand.now_s),
    "link back": lambda hand: hand.session.on_link_back(hand.now_s),
    "disk refuses": lambda hand: hand.session.on_disk_error(REFUSED, hand.now_s),
    "failure": lambda hand: hand.session.on_failure("a mistake of ours", hand.now_s),
}


def cell(state: State, name: str) -> str:
    """What `name` does in `state`, in the words of the table."""
    throttle = ((70.0, 4.0 if state in HEARTBEATS else 0.25),)
    abilities = "STLZ" if name.startswith("zero") else "STL"
    hand = Hand(abilities, throttle=throttle).reach(state)
    session = hand.session
    assert session.state is state
    before = len(hand.sent)
    verdict = session.run.verdict
    EVENTS[name](hand)
    text = " ".join(hand.words(before))
    if session.state is not state:
        text += f">{session.state.value}"
    if session.run.verdict != verdict or (session.ended and state is not State.ENDED):
        text += f"!{session.run.verdict.outcome}"
    return text or "-"


TABLE: dict[str, dict[str, str]] = {
    "arm": {"ready": "limit>arming"},
    "zero": {"ready": "zero"},
    "zero, then arm": {"ready": "zero"},
    "start": {"armed": "throttle>running"},
    "stop": {
        "linking": ">ended!operator",
        "ready arming armed running": "STOP stop>stopping!operator",
        "coasting": ">ended!done",
    },
    "throttle": {"running": "throttle"},
    "acknowledge": {},
    "mark": {},
    "10 ms": {"linking": "hello", "arming armed running": "beat"},
    "160 ms": {
        "linking": "hello",
        "arming": "beat limit",
        "armed running": "beat",
        "stopping": "STOP stop",
    },
    "1.1 s": {
        "linking": "hello",
        "arming": "beat limit STOP stop>stopping!link lost",
        "armed running": "STOP stop>stopping!link lost",
        "stopping": "STOP stop>unproven",
        "unproven": "STOP stop",
    },
    "line as before": {},
    "line at rest, cut": {
        "armed": "STOP stop>coasting!tripped",
        "running": "STOP stop>stopping!tripped",
        "stopping unproven": ">coasting",
    },
    "line at rest, armed": {},
    "line beyond a limit": {"arming armed running": "STOP stop>stopping!tripped"},
    "line cut for silence": {
        "armed": "STOP stop>coasting!link lost",
        "running": "STOP stop>stopping!link lost",
        "stopping unproven": ">coasting!link lost",
        "coasting": "!link lost",
    },
    "line cut for a limit": {
        "armed": "STOP stop>coasting!tripped",
        "running": "STOP stop>stopping!tripped",
        "stopping unproven": ">coasting!tripped",
        "coasting": "!tripped",
    },
    "report of our stop": {},
    "report of silence": {
        "arming armed running": "STOP stop>stopping!link lost",
        "stopping unproven coasting": "!link lost",
    },
    "report of a button": {
        "arming armed running": "STOP stop>stopping!tripped",
        "stopping unproven coasting": "!tripped",
    },
    "answer ok": {"arming": "limit"},
    "answer no": {"arming": "STOP stop>stopping!link lost"},
    "throttle refused": {
        "arming": "STOP stop>stopping!link lost",
        "running": "throttle STOP stop>stopping!link lost",
    },
    "another boot": {
        "linking": ">ready",
        "ready": ">ended!link lost",
        "arming armed running": "STOP stop>stopping!link lost",
        "stopping unproven": "!link lost",
        "coasting": ">ended!done",
    },
    "a host's line": {},
    "garbage": {},
    "front lost": {
        "linking ready": ">ended!front lost",
        "arming armed running": "STOP stop>stopping!front lost",
    },
    "front silent": {"arming armed running": "STOP stop>stopping!front lost"},
    "link lost": {
        "linking ready": ">ended!link lost",
        "arming armed running": "STOP stop>stopping!link lost",
        "stopping unproven": "!link lost",
    },
    "link back": {"stopping unproven": "STOP stop"},
    "disk refuses": {
        "linking ready coasting": ">ended!disk",
        "arming armed running": "STOP stop>stopping!disk",
        "stopping unproven": "!disk",
    },
    "failure": {
        "linking ready coasting": ">ended!recorder failed",
        "arming armed running stopping unproven": "STOP stop>ended!stop not seen",
    },
}
"""Per event: the states, and what it does in them. In a state that is not named, nothing."""


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("name", EVENTS)
def test_every_event_in_every_state(name: str, state: State) -> None:
    expected = [does for states, does in TABLE[name].items() if state.value in states.split()]
    assert cell(state, name) == (expected[0] if expected else "-")


def test_the_table_speaks_of_every_event() -> None:
    assert list(TABLE) == list(EVENTS)
