"""What must hold in every storm, whatever goes wrong. Times are firmware_protocol.md's.

Each is a function from a `Story` to sentences, one for each way in which it is broken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise

from rig.protocol import commands
from rig.protocol.decoder import Decoder
from rig.protocol.framing import LONGEST_LINE, Fault
from rig.protocol.records import Cut, Remark
from rig.recorder.journal import FLUSH_EVERY_S
from rig.recorder.proof import PROVE_WITHIN_S
from rig.recorder.recording import FRONT_SILENT_AFTER_S
from rig.recorder.states import TABLE, State
from rig.recorder.stopping import QUIET_BEFORE_STOP_AGAIN_S
from tests.storm.weather import TO_BOARD
from tests.storm.world import STEP_S, Story

SILENCE_S = 0.51
"""A board cuts so long after a line with a good checksum at the latest."""

TURN_S = 0.03
"""One turn of the recorder's loop, and the world's own steps."""

ANSWERED_S = 0.05
"""A stop on a line without trouble takes the drive away within this."""

NOTED_S = 1.5 * STEP_S
"""A state is noted in the world's step after the one in which it changes."""

REPEAT_S = 0.15

Broken = Iterator[str]


def words(data: bytes) -> list[tuple[str, bool]]:
    """Each line that the host sent, by its word, and whether it carries a number."""
    found = []
    for line in data.split(b"\n"):
        heard = commands.parse_command(line)
        if not isinstance(heard, Fault | commands.Refusal):
            found.append((heard[1].word, heard[0] is not None))
    return found


def on_after_s(story: Story, at_s: float) -> float:
    """How long the drive stayed on after `at_s`; 0 when it was off by then."""
    return max((to_s - at_s for from_s, to_s in story.drive if from_s <= at_s < to_s), default=0.0)


def has_fault(story: Story, *names: str) -> bool:
    return any(fault.split("@")[0].split("=")[0] in names for fault in story.weather.faults)


def delay_s(story: Story) -> float:
    """By how much the line may hold back what the host said."""
    return sum(
        trouble.rate
        for trouble in story.weather.line
        if trouble.direction == TO_BOARD and trouble.kind == "delay"
    )


def disturbed(story: Story, at_s: float) -> bool:
    """Whether anything stood between the host and the board about then."""
    weather = story.weather
    spans = [(trouble.from_s, trouble.to_s) for trouble in weather.line]
    spans += story.stalls + ([weather.port_gone] if weather.port_gone else [])
    return any(from_s - 0.05 <= at_s <= to_s + 1.0 for from_s, to_s in spans)


def off_within(story: Story, at_s: float, why: str, late_s: float = 0.0) -> Broken:
    """After `at_s` the drive is off as soon as this board and this line allow."""
    if has_fault(story, "deaf-stop") or "S" not in story.weather.abilities:
        return
    allowed_s = SILENCE_S if disturbed(story, at_s) else ANSWERED_S
    if has_fault(story, "ignores-stop"):
        # Stops are repeated until the stop counts as not effective, then comes the silence.
        allowed_s = PROVE_WITHIN_S + SILENCE_S
    allowed_s += late_s + delay_s(story) + TURN_S
    on_s = on_after_s(story, at_s)
    if on_s > allowed_s:
        yield f"{why} at {at_s:.3f} s, and the drive was on for {on_s:.3f} s, not {allowed_s:.3f}"


def a_stop_key_stops(story: Story) -> Broken:
    for key_s in story.keys_s:
        yield from off_within(story, key_s, "stop key")


def a_trip_stops(story: Story) -> Broken:
    for time_s, event in story.events:
        if event.alarm is not None and event.alarm.severity == "trip":
            yield from off_within(story, time_s, f"trip ({event.alarm.cause})")
    blind = has_fault(story, "clip-current", "motor-open", "motor-shorted", "motor-stuck", "drop",
                      "silent", "deaf-stop", "ignores-stop", "double-mark", "missing-mark",
                      "corrupt", "cut-lines")  # fmt: skip
    for from_s, to_s in story.beyond_s:
        clear = not blind and not disturbed(story, from_s) and "S" in story.weather.abilities
        if to_s - from_s > (0.4 if clear else 99.0):
            yield f"beyond a limit from {from_s:.3f} to {to_s:.3f} s"


def silence_stops(story: Story) -> Broken:
    gone = story.weather.port_gone
    for at_s, state, to_s in _spans(story) if gone and not story.stalls else ():
        driven = state in (State.ARMING, State.ARMED, State.RUNNING)
        if gone and driven and at_s < gone[0] < to_s - 2.0 * TURN_S:
            yield f"the port was gone at {gone[0]:.3f} s, and it was {state.value} until {to_s:.3f}"
    if has_fault(story, "deaf-stop") or "S" not in story.weather.abilities:
        return
    times_s = [*story.reached_board_s, story.ended_s + 99.0]
    for before_s, after_s in pairwise(times_s):
        if after_s - before_s > SILENCE_S:
            on_s = on_after_s(story, before_s)
            if on_s > SILENCE_S + TURN_S:
                yield f"nothing after {before_s:.3f} s, and the drive was on for {on_s:.3f} s"


def a_reset_board_is_not_driven_again(story: Story) -> Broken:
    for reset_s in story.resets_s:
        armed = [state for time_s, state in story.states if time_s <= reset_s]
        again = [from_s for from_s, _ in story.drive if from_s > reset_s]
        if again and State.ARMING in armed:
            yield f"reset at {reset_s:.3f} s, driven again at {again[0]:.3f} s"


def a_front_that_is_gone_or_stands_stops(story: Story) -> Broken:
    weather = story.weather
    if weather.front_dies_s is not None:
        yield from off_within(story, weather.front_dies_s, "the front died")
    stands = weather.front_stands
    if stands is None or stands[1] <= 1.0 or story.stalls:
        return
    yield from off_within(story, stands[0], "the front stands", FRONT_SILENT_AFTER_S)
    deaf = has_fault(story, "deaf-stop", "ignores-stop") or "S" not in weather.abilities
    on_s = on_after_s(story, stands[0])
    if on_s > 1.0 and not deaf and not weather.line and not weather.port_gone:
        yield f"the front stands, and the drive was on for {on_s:.3f} s"


def a_disk_that_refuses_stops(story: Story) -> Broken:
    fails_s = story.weather.disk_fails_s
    if fails_s is not None and story.disk_failed and not story.weather.disk_hangs:
        yield from off_within(story, fails_s, "the disk refuses", FLUSH_EVERY_S + 0.1)


def done_is_done(story: Story) -> Broken:
    ended, weather = story.ended, story.weather
    assert ended is not None
    if ended.outcome != "done":
        if weather.calm and weather.automatic:
            yield f"nothing went wrong, and the run is called {ended.outcome!r}: {ended.cause}"
        if ended.exit_code == 0:
            yield f"{ended.outcome!r} with exit code 0"
        return
    driven_s = sum(to_s - from_s for from_s, to_s in story.drive)
    if "S" in weather.abilities and driven_s < weather.run_s - TURN_S:
        yield f"done, but driven for {driven_s:.3f} s of {weather.run_s:.3f}"
    for time_s, data in story.said:
        for line in data.split(b"\n"):
            record = Decoder().decode(line) if line.startswith(b"X,") else None
            if isinstance(record, Cut) and record.cause != "stop":
                yield f"done, but the board cut at {time_s:.3f} s: {record.cause}"
    driven = [time_s for time_s, state in story.states if state is State.RUNNING]
    for reset_s in story.resets_s:
        if driven and story.drive and driven[0] < reset_s < story.drive[-1][1]:
            yield f"done, but the board was reset at {reset_s:.3f} s"


def the_journal_has_it_all(story: Story) -> Broken:
    if story.disk_failed:
        return
    if story.overdue_s > 0.5:
        yield f"a line waited for {story.overdue_s:.3f} s"
    lines = story.journal.split(b"\n")[:-1]
    heard = b"".join(story.heard).split(b"\n")[:-1]
    board = [line for line in lines if not line.startswith(b"!")]
    kept = [b"?" + line if line.startswith(b"!") else line for line in heard]
    # Of a line that is too long only so much is kept as proves it so.
    board, kept = [x[:LONGEST_LINE] for x in board], [x[:LONGEST_LINE] for x in kept]
    # Lines that came in one piece with the one that ended the run may be left.
    if board != kept[: len(board)] or len(kept) - len(board) > 150:
        yield f"{len(board)} lines of the board's kept, {len(kept)} heard, or not the same"
    remarks = [Decoder(remarks=True).decode(line) for line in lines if line.startswith(b"!")]
    ends = [remark for remark in remarks if isinstance(remark, Remark) and remark.kind == "end"]
    if len(ends) != 1 or not all(isinstance(remark, Remark) for remark in remarks):
        yield f"{len(ends)} ends in the journal"
    elif story.ended is not None and ends[0].content["outcome"] != story.ended.outcome:
        yield "the journal ends with another outcome"


def arming_is_earned(story: Story) -> Broken:
    stopped = False
    drives = {"arm", "throttle", "limit", "beat"}
    for time_s, data in story.sent:
        for word, _ in words(data):
            if stopped and word in drives:
                yield f"{word!r} at {time_s:.3f} s, after a stop"
            stopped = stopped or (word == "stop" and _state_at(story, time_s) in AFTER_STOP)
    if story.unheld:
        yield "armed before the board held the limits"
    if "T" in story.weather.abilities and story.states:
        for from_s, to_s in story.beyond_s:
            arms = [t for t, data in story.sent if ("arm", True) in words(data)]
            if any(from_s + 0.3 < t < to_s for t in arms):
                yield "armed beyond a limit"
    faulty = {"motor-open", "motor-shorted"} & set(story.weather.faults)
    if faulty and story.drive and not disturbed(story, story.drive[0][0]):
        yield f"armed at {story.drive[0][0]:.3f} s with {faulty}"


AFTER_STOP = {State.STOPPING, State.UNPROVEN, State.COASTING, State.ENDED}


def _state_at(story: Story, time_s: float) -> State:
    """The state from this time on: a stop is sent in the moment in which the state changes."""
    past = [state for since_s, state in story.states if since_s <= time_s + NOTED_S]
    return past[-1] if past else State.LINKING


def an_unproven_stop_is_repeated_and_said(story: Story) -> Broken:
    if "S" not in story.weather.abilities:
        return
    stops_s = [t for t, data in story.sent if any(word == "stop" for word, _ in words(data))]
    spans = [(at_s, state, to_s) for (at_s, state), (to_s, _) in pairwise(story.states)]
    for at_s, state, to_s in spans:
        within = [t for t in stops_s if at_s - NOTED_S <= t <= to_s + NOTED_S]
        gone = story.weather.port_gone
        if gone is not None and gone[0] - 0.05 <= to_s and at_s <= gone[1] + 1.0:
            continue
        if state is State.STOPPING and not within and not story.stalls:
            yield f"stopping at {at_s:.3f} s without a stop"
        if state is State.UNPROVEN:
            for before_s, after_s in pairwise([at_s, *(t for t in within if t > at_s)]):
                last = after_s > to_s - NOTED_S
                if after_s - before_s < SILENCE_S + 0.1 and not last:
                    yield f"stops at {before_s:.3f} and {after_s:.3f} s leave no silence"
            longest_s = max(b - a for a, b in pairwise([at_s, *within, to_s]))
            if longest_s > QUIET_BEFORE_STOP_AGAIN_S + TURN_S and not story.stalls:
                yield f"no stop for {longest_s:.3f} s while it is not proven"
            alarms = [e.text for t, e in story.events if e.loud and t >= at_s - NOTED_S]
            if not any(text.startswith("THE STOP") for text in alarms):
                yield "an unproven stop is not said"
    answers = has_fault(story, "no-answers", "silent") or any(story.weather.line)
    if not answers and not story.stalls:
        yield from _repeated_until_answered(story, spans, stops_s)
    ended = story.ended
    assert ended is not None
    if story.on_at_end and ended.exit_code == 0:
        yield "the drive is on at the end, and the run is called done"
    if story.on_at_end and not any(event.loud for _, event in story.events):
        yield "the drive is on at the end, and nobody was told"
    late_s = [to_s for _, to_s in story.drive if to_s > story.ended_s + SILENCE_S + TURN_S]
    if late_s and not has_fault(story, "deaf-stop") and not delay_s(story):
        yield f"the drive was on until {late_s[0]:.3f} s, the end was at {story.ended_s:.3f} s"


def _repeated_until_answered(
    story: Story, spans: list[tuple[float, State, float]], stops_s: list[float]
) -> Broken:
    # Only a board that never answers a stop, from its power-up on.
    if "ignores-stop" not in story.weather.faults or story.weather.port_gone:
        return
    for at_s, state, to_s in spans:
        if state is State.STOPPING and to_s - at_s > 3 * REPEAT_S:
            within = [at_s, *(t for t in stops_s if at_s < t < to_s), to_s]
            longest_s = max(b - a for a, b in pairwise(within))
            if longest_s > REPEAT_S + TURN_S:
                yield f"an unanswered stop was not repeated for {longest_s:.3f} s"


def it_ends_and_keeps_to_the_table(story: Story) -> Broken:
    ended = story.ended
    assert ended is not None
    if "recorder failed" in (ended.outcome + ended.cause):
        yield ended.cause
    ways = {(before, after) for (before, _), after in TABLE.items()}
    for (_, before), (time_s, after) in pairwise(story.states):
        if (before, after) not in ways and not _by_way(before, after, ways):
            yield f"from {before.value} to {after.value} at {time_s:.3f} s"


def _by_way(before: State, after: State, ways: set[tuple[State, State]]) -> bool:
    """Whether there is a way of two or three steps, taken within one turn of the loop."""
    once = {to for start, to in ways if start is before}
    twice = {to for start, to in ways if start in once}
    thrice = {to for start, to in ways if start in twice}
    if before is State.RUNNING:
        return after in {State.COASTING, State.UNPROVEN, State.ENDED}
    return after in twice | thrice


def the_host_speaks_while_the_board_is_armed(story: Story) -> Broken:
    weather = story.weather
    if story.stalls or weather.port_gone or "S" not in weather.abilities:
        return
    sent_s = [time_s for time_s, _ in story.sent]
    for at_s, state, to_s in _spans(story):
        if state in (State.ARMING, State.ARMED, State.RUNNING):
            times_s = [at_s, *(t for t in sent_s if at_s < t < to_s), to_s]
            longest_s = max(b - a for a, b in pairwise(times_s))
            if longest_s > commands.HEARTBEAT_EVERY_S + TURN_S:
                yield f"silent for {longest_s:.3f} s while {state.value}"


def _spans(story: Story) -> list[tuple[float, State, float]]:
    return [(at_s, state, to_s) for (at_s, state), (to_s, _) in pairwise(story.states)]


INVARIANTS: dict[str, Callable[[Story], Broken]] = {
    "a stop key takes the drive away in time": a_stop_key_stops,
    "a trip takes the drive away in time, and what is beyond a limit trips": a_trip_stops,
    "a host that is silent takes the drive away in time": silence_stops,
    "a board that was reset is not driven again": a_reset_board_is_not_driven_again,
    "a front that is gone or stands still takes the drive away": (
        a_front_that_is_gone_or_stands_stops
    ),
    "a disk that refuses takes the drive away": a_disk_that_refuses_stops,
    "a run called done ran its whole time and nobody cut it": done_is_done,
    "every line older than 0.5 s is in the journal, and nobody speaks for the host": (
        the_journal_has_it_all
    ),
    "nothing is armed beyond a limit, without limits, or after a stop": arming_is_earned,
    "a stop is repeated until it is proven or the alarm is given": (
        an_unproven_stop_is_repeated_and_said
    ),
    "every storm ends, without an exception, by the table of states": (
        it_ends_and_keeps_to_the_table
    ),
    "the host speaks every tenth of a second while the board may be armed": (
        the_host_speaks_while_the_board_is_armed
    ),
}


def broken(story: Story) -> list[str]:
    """Which invariants this story breaks, and how."""
    return [f"{name}: {how}" for name, judge in INVARIANTS.items() for how in judge(story)]
