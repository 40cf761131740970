"""A comparison as a list of blocks: the order of its sections, and those about all setups.

A section is a function that yields blocks. Those about one variant stand in
`rig.report.variant`, the figures in `rig.report.drawings`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rig.analysis.answers import Comparisons
from rig.report.content import Report
from rig.report.document import (
    Answer,
    Block,
    Bullets,
    Caution,
    Column,
    Heading,
    Name,
    Paragraph,
    Table,
)
from rig.report.drawings import drawings
from rig.report.equal_speed import at_equal_speed
from rig.report.noted import noted
from rig.report.variant import alternatives, budget, changes, conditions, costs
from rig.report.words import percent, quantity_name
from rig.vocabulary import RunOutcome

CAUTION = (
    "Limits and stops in software are no substitute for a hand-operated cut in the supply. "
    "Follow local rules; where they require a licensed person, use one."
)
_DRIFTS = ("speed_rpm", "current_a")


def comparison_blocks(comparisons: Comparisons, file: Report | None = None) -> Iterator[Block]:
    """What `rig compare` prints; with `file`, all that `rig report` writes.

    The order of the sections stands here and nowhere else. Raises InputFileError for a capture
    that cannot be read again.
    """
    if file:
        yield from title(file)
    yield from answers(comparisons)
    if file:
        yield from drawings(file)
    for item in comparisons.variants:
        yield from changes(item, every=file is not None)
        if file:
            yield from budget(item)
        yield from at_equal_speed(item)
        yield from costs(item)
        yield from alternatives(item)
        yield from conditions(item)
    yield from trend(comparisons)
    yield from drift(comparisons)
    yield from warnings(comparisons)
    yield from noted_of_runs(comparisons)
    if file:
        yield from captures(file)
        yield from closing(file)


def title(file: Report) -> Iterator[Block]:
    """Which stand, how many captures, made by what and when."""
    yield Heading(1, ("Test stand report: ", Name(file.stand_name)))
    yield Paragraph(f"{len(file.captures)} captures, {_made(file)}", small=True)


def answers(comparisons: Comparisons) -> Iterator[Block]:
    """The word for each variant and the sentences behind it."""
    for item in comparisons.variants:
        word, sentence = item.verdict.word, item.verdict.sentence
        yield Answer(item.baseline, item.variant, word, sentence, item.step)


def trend(comparisons: Comparisons) -> Iterator[Block]:
    """Where the setups are levels of one number: the change per unit of it."""
    lines = [
        f"{quantity_name(found.quantity)} "
        f"{percent(found.per_unit_pct, found.ci95_pct)} per unit"
        + ("; the setups do not lie on a straight line" if found.lack_of_fit_p < 0.05 else "")
        for found in comparisons.trends
    ]
    if lines:
        yield Heading(2, "Trend")
        yield Bullets(tuple(lines))


def drift(comparisons: Comparisons) -> Iterator[Block]:
    """What the order of the runs lets them show, and the drift that was taken out."""
    orders: dict[str, list[str]] = {}
    for item in comparisons.variants:
        orders.setdefault(item.order, []).append(item.variant)
    yield Heading(2, "Drift")
    for words, setups in orders.items():
        yield Paragraph(words if len(orders) == 1 else f"{', '.join(setups)}: {words}")
    drifts = [
        f"{quantity_name(quantity)} {percent(value, interval)}"
        for quantity, (value, interval) in comparisons.drift_pct.items()
        if quantity in _DRIFTS
    ]
    if drifts:
        yield Paragraph(f"Drift from the first run to the last: {'; '.join(drifts)}.")


def warnings(comparisons: Comparisons) -> Iterator[Block]:
    """What was left out and why, and which runs stand out."""
    yield Heading(2, "Warnings")
    yield Bullets(comparisons.warnings or ("None.",))


def noted_of_runs(comparisons: Comparisons) -> Iterator[Block]:
    """Notes, marks, alarms, and why a run did not end as planned; alike runs on one line."""
    by_words: dict[str, list[str]] = {}
    for run in comparisons.runs:
        words = noted(
            run.notes, run.events, cause="" if run.outcome == RunOutcome.DONE else run.cause
        )
        if words:
            by_words.setdefault(words, []).append(run.name)
    if by_words:
        yield Heading(2, "What was noted")
        yield Bullets(tuple(f"{', '.join(names)}: {words}" for words, names in by_words.items()))


def captures(file: Report) -> Iterator[Block]:
    """Every capture with its hash, so that what is handed on can be checked."""
    yield Heading(2, "Captures")
    yield Table(
        (
            Column("capture"),
            Column("setup"),
            Column("outcome"),
            Column("length", "number"),
            Column("SHA-256", "code"),
        ),
        tuple(
            (
                Name(capture.name),
                Name(capture.run.setup),
                capture.run.outcome,
                f"{capture.seconds:.1f} s" if math.isfinite(capture.seconds) else "-",
                capture.sha256,
            )
            for capture in file.captures
        ),
    )


def closing(file: Report) -> Iterator[Block]:
    """The caution, and who made the report when."""
    yield Caution(CAUTION)
    yield Paragraph(f"Made by {_made(file)}.", small=True)


def _made(file: Report) -> str:
    return f"{file.program}, {file.made:%Y-%m-%d %H:%M:%S %Z}"
