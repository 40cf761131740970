"""The rules of firmware_protocol.md in their order, and what became of each.

A rule is a function that plays its part of the dialogue. It returns nothing when the rule is
kept, words when it is broken; one that does not apply to a board raises DoesNotApply.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from rig.conformance import answering, limiting, saying, stopping
from rig.conformance.host import Host
from rig.conformance.steps import SLACK_S, DoesNotApply, disarm

TRIES = 3
"""A rule that seems broken while this computer paused is played again."""

Rule = Callable[[Host], str | None]


@dataclass(frozen=True, slots=True)
class Finding:
    """What became of one rule. `verdict` is kept, broken, does not apply, or not judged."""

    rule: str
    section: str
    verdict: str
    detail: str


def verify(host: Host) -> Iterator[Finding]:
    """Play through all rules; a finding after each. Nothing may hang from the drive."""
    for rule, section, name in RULES:
        verdict, detail = _played(host, rule)
        yield Finding(name, section, verdict, detail)
        if rule is saying.introduces and verdict != "kept":
            return


def _played(host: Host, rule: Rule) -> tuple[str, str]:
    """The verdict on one rule and its detail; the board is disarmed afterwards."""
    for _ in range(TRIES):
        host.begin()
        try:
            detail = rule(host) or ""
            verdict = "broken" if detail else "kept"
        except DoesNotApply as reason:
            verdict, detail = "does not apply", str(reason)
        disarm(host)
        if verdict == "kept" or host.longest_pause_s <= SLACK_S:
            return verdict, detail
    paused = f"this computer paused for {1000.0 * host.longest_pause_s:.0f} ms"
    return "not judged", f"{paused}, so this may be its fault: {detail}"


RULES: tuple[tuple[Rule, str, str], ...] = (
    (saying.introduces, "What the board says", "introduces itself"),
    (saying.keeps_to_the_framing, "Framing", "keeps to the framing"),
    (saying.counts_its_lines, "D: data", "counts its lines one by one"),
    (saying.keeps_its_rate_and_clock, "H: hello", "keeps its rate and clock"),
    (saying.keeps_counts_within_their_scale, "C: channel", "keeps counts within their scale"),
    (saying.tells_edges_and_their_tick_together, "D: data", "tells edges and their tick together"),
    (saying.repeats_its_introduction, "What the board says", "repeats its introduction if deaf"),
    (stopping.starts_with_its_drive_off, "Timing", "has its drive off until armed"),
    (answering.answers_in_time, "Timing", "answers within 50 ms"),
    (
        answering.introduces_before_it_answers,
        "What the host says",
        "introduces itself, then answers",
    ),
    (answering.refuses_what_it_does_not_know, "A: answer", "refuses what it does not know"),
    (answering.refuses_a_malformed_arm, "Framing", "refuses a malformed arm"),
    (
        answering.passes_over_damaged_lines,
        "What is not understood",
        "passes over damaged lines",
    ),
    (
        answering.passes_over_lines_without_a_number,
        "What is not understood",
        "passes over lines without a number",
    ),
    (
        answering.takes_a_long_line_and_none_longer,
        "Framing",
        "takes a line of 120 characters, none longer",
    ),
    (answering.refuses_throttle_while_cut, "What the host says", "refuses throttle while cut"),
    (answering.refuses_another_boots_arm, "What the host says", "refuses another boot's arm"),
    (stopping.arms, "What the host says", "arms, and stays armed while it is spoken to"),
    (stopping.obeys_a_numbered_stop, "Timing", "obeys a numbered stop"),
    (stopping.obeys_the_bare_word, "What the host says", "obeys stop as a bare word"),
    (
        stopping.obeys_stop_after_rubbish,
        "What is not understood",
        "obeys stop after endless rubbish",
    ),
    (stopping.answers_stop_when_cut, "What the host says", "answers stop when nothing is armed"),
    (stopping.says_x_once, "X: cut", "says X once for a cut"),
    (stopping.cuts_when_the_host_is_silent, "Timing", "cuts when the host falls silent"),
    (stopping.is_not_kept_alive_by_damage, "Timing", "is not kept alive by damaged lines"),
    (stopping.is_kept_alive_by_what_it_refuses, "Timing", "is kept alive by lines that it refuses"),
    (
        stopping.forgets_the_cause_at_the_next_arm,
        "D: data",
        "forgets the cause of a cut at the next arm",
    ),
    (limiting.cuts_at_a_limit, "What the host says", "cuts at a limit"),
    (limiting.cuts_at_a_low_limit, "What the host says", "cuts at a low limit"),
    (limiting.keeps_a_limits_hold, "What the host says", "keeps a limit's hold"),
    (
        limiting.changes_nothing_when_armed_twice,
        "What the host says",
        "changes nothing when armed twice",
    ),
    (limiting.keeps_its_limits_after_a_cut, "What the host says", "keeps its limits after a cut"),
    (limiting.forgets_a_limit_taken_away, "What the host says", "forgets a limit taken away"),
    (
        limiting.judges_readings_less_their_zero,
        "What the host says",
        "judges readings less their zero",
    ),
    (limiting.cuts_at_an_edge_limit, "What the host says", "cuts at a limit of the edges"),
    (limiting.cuts_when_it_turns_too_fast, "Timing", "cuts when it turns too fast"),
    (
        answering.refuses_a_limit_without_a_channel,
        "A: answer",
        "refuses a limit without a channel",
    ),
    (answering.refuses_what_a_channel_lacks, "A: answer", "refuses what a channel lacks"),
    (answering.zeroes_a_channel, "What the host says", "zeroes a channel"),
    (answering.refuses_zero_while_armed, "What the host says", "refuses zero while armed"),
    (saying.is_still_there, "H: hello", "is still there at the end, and was not reset"),
)
"""Each with its section in firmware_protocol.md and its name."""

UNSEEN = (
    "The output follows `armed`: measure it, or hang a lamp on it, while you arm and stop.",
    "The throttle is 0 after an arm and after a cut: watch the pulse.",
    "A second arm leaves the throttle alone: arm, give throttle, arm again, watch the pulse.",
    "The pull-down holds the drive off: hold the reset button, then unplug USB.",
    "The watchdog restarts a board that hangs: flash one that hangs on purpose.",
    "The readings are right: compare them with a meter.",
    "A `reference` channel follows the supply: on a lower supply its count is higher, by as much.",
)
"""What no host can see from a port, and how to look at it."""
