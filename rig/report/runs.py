"""The list of `rig runs`: one line per run where it fits, whole file names everywhere."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from rig.analysis.steps import plan_words
from rig.captures.capture import Meta
from rig.captures.listing import Row
from rig.report.document import Column, joined
from rig.report.noted import noted
from rig.report.words import number
from rig.stand.quantities import unit_of
from rig.stop_proof import line_of
from rig.text import one_line
from rig.vocabulary import RunOutcome

Listed = tuple[Row, Mapping[str, float]]
"""A file, and its run's figures, empty where there are none."""

COLUMNS = (
    Column("file"), Column("setup"), Column("run", "number"), Column("began"),
    Column("length", "number"), Column("throttle"), Column("current", "number"),
    Column("speed", "number"), Column("power", "number"), Column("outcome"), Column("noted"),
)  # fmt: skip
MAIN = ("current_a", "speed_rpm", "power_w")

_GAP = "  "
_NOTED_NEEDS = 30
"""Columns without which the last cell is not worth wrapping beside the others."""


def print_runs(listed: Sequence[Listed], step_pct: float | None = None) -> None:
    """On standard output: fitted to a terminal; whole lines where there is none."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    print("\n".join(run_lines(list(map(cells, listed)), width)))
    if any(len(row.steps) > 1 for row, _ in listed):
        which = "the last step" if step_pct is None else f"the step of {step_pct:g} %"
        print(f"\nCurrent, speed and power are those of {which}; --step PERCENT picks another.")


def cells(listed: Listed) -> tuple[str, ...]:
    """The cells of one run, as `COLUMNS` names them; nothing in them can steer a terminal."""
    row, figures = listed
    outcome, cause = row.ending, "" if row.outcome == RunOutcome.DONE else row.cause
    if row.kind == "unreadable":
        outcome, _, cause = row.outcome.partition(": ")
    if row.same_as:
        cause = "; ".join(filter(None, [cause, f"does not count: the same run as {row.same_as}"]))
    found = (
        row.name,
        row.setup,
        str(row.run) if row.run else "-",
        local_time(row.utc),
        "-" if row.seconds is None else f"{row.seconds:.1f} s",
        plan_words(row.throttle).replace(" for ", " "),
        *(_figure(figures, column) for column in MAIN),
        outcome,
        noted(row.notes, row.events, pairs=row.pairs, cause=cause),
    )
    return tuple(one_line(cell) for cell in found)


def description_lines(meta: Meta) -> list[str]:
    """When a run began, what was said of it, and what of that was corrected afterwards."""
    lines = [f"began: {local_time(meta.utc)}"]
    if "seed" in meta.plan:
        lines.append(f"simulated, seed {meta.plan['seed']}")
    lines += [f"{key}: {value}" for key, value in meta.pairs.items()]
    lines += [f"notes: {meta.notes}"] if meta.notes else []
    lines += filter(None, [line_of(meta.stop_proof)])
    for entry in meta.amendments:
        old = repr(entry["old"]) if entry["old"] else "empty"
        lines.append(f"amended {local_time(entry['utc'])}: {entry['what']} was {old}")
    return [one_line(line) for line in lines]


def local_time(utc: str) -> str:
    """A time in UTC as ISO 8601 has it, as local time with its offset; a dash for no time."""
    try:
        time = datetime.fromisoformat(utc)
        if time.tzinfo is None:
            time = time.replace(tzinfo=UTC)
        return time.astimezone().isoformat(" ", "seconds")
    except (ValueError, OverflowError, OSError):
        return "-"


def run_lines(rows: Sequence[Sequence[str]], width: int | None) -> list[str]:
    """The lines for `rows` of cells in a terminal of `width` columns; None for no bound.

    A table with one line per run where that fits, the last cell wrapped if need be;
    otherwise the file's name on a line of its own with the other cells under it.
    """
    table = [[joined(column.head) for column in COLUMNS], *rows]
    sides = [column.kind == "number" for column in COLUMNS[:-1]]
    lines = [f"{start}{_GAP}" for start in _aligned([cells[:-1] for cells in table], sides)]
    indent = cell_len(lines[0])
    longest = max(cell_len(cells[-1]) for cells in table)
    if width is None or indent + min(longest, _NOTED_NEEDS) <= width:
        beside = longest if width is None else width - indent
        return [
            line
            for start, cells in zip(lines, table, strict=True)
            for line in _beside(start, cells[-1], beside)
        ]
    return _blocks(rows, sides, width)


def _beside(start: str, words: str, width: int) -> list[str]:
    """`words` after `start`, wrapped to `width` and continued below themselves."""
    first, *others = _wrap(words, width) or [""]
    return [(start + first).rstrip(), *(" " * cell_len(start) + line for line in others)]


def _blocks(rows: Sequence[Sequence[str]], sides: Sequence[bool], width: int) -> list[str]:
    """Three short lines per run: the file and when, the figures, what was noted."""
    middles = _aligned(
        [[cells[1], f"run {cells[2]}", *cells[4:9]] for cells in rows], [*sides[1:3], *sides[4:9]]
    )
    lines = []
    for cells, middle in zip(rows, middles, strict=True):
        name, began, outcome, words = cells[0], cells[3], cells[9], cells[10]
        head = _GAP.join([name, began, outcome])
        parts = [middle, words]
        if cell_len(head) > width:
            head, parts = name, [_GAP.join([began, outcome]), *parts]
        lines.append(head)
        for part in filter(None, parts):
            fits = cell_len(_GAP + part) <= width
            whole = [part] if fits else _wrap(part, max(width, 20) - len(_GAP))
            lines += [_GAP + line for line in whole]
    return lines


def _wrap(words: str, width: int) -> list[str]:
    """By the cells that characters take in a terminal."""
    return [line.plain.rstrip() for line in Text(words).wrap(Console(), width)]


def _aligned(table: Sequence[Sequence[str]], to_right: Iterable[bool]) -> list[str]:
    """Each row as one text, its columns padded to their widest cell."""
    columns = []
    for cells, right in zip(zip(*table, strict=True), to_right, strict=True):
        widest = max(map(cell_len, cells))
        pads = [" " * (widest - cell_len(cell)) for cell in cells]
        columns.append(
            [pad + cell if right else cell + pad for cell, pad in zip(cells, pads, strict=True)]
        )
    return [_GAP.join(row) for row in zip(*columns, strict=True)]


def _figure(figures: Mapping[str, float], column: str) -> str:
    words = number(figures.get(column), column)
    return words if words == "-" else f"{words} {unit_of(column)}"
