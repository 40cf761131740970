"""`rig salvage`: a capture of each run that a crash left in a journal, or of a terminal log."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rig.captures.capture import Meta, read_meta
from rig.captures.convert import convert
from rig.captures.description import checked_setup
from rig.captures.files import check_file
from rig.captures.journal_head import WHOLE, runs_in
from rig.errors import InputFileError
from rig.report import terminal
from rig.stand.settings import load_stand
from rig.vocabulary import RunOutcome


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What could be kept of a journal or log: its first run, `others` in the same file, and
    what had to be `left` out of all."""

    capture: Path
    meta: Meta
    others: tuple[Salvaged, ...] = ()
    left: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "written": str(self.capture),
            "rows": self.meta.rows,
            "outcome": self.meta.outcome,
            "statistics": self.meta.statistics,
            "others": [other.as_dict() for other in self.others],
            "left": list(self.left),
        }

    def sentence(self) -> str:
        """What was kept and what was not."""
        statistics = self.meta.statistics
        rejected = sum(statistics["rejected"].values())
        ends: dict[str, str] = {RunOutcome.CUT_OFF: "the journal has no end: its recorder died"}
        lines = [
            f"written: {self.capture}",
            f"{self.meta.rows} lines kept, {statistics['lost']} lost on the way, "
            f"{rejected} rejected{', the last one cut short' if statistics['cut_line'] else ''}",
            ends.get(self.meta.outcome, f"outcome: {self.meta.outcome}"),
        ]
        if statistics["after_restart"]:
            after = statistics["after_restart"]
            lines.append(f"{after} lines after a reset of the board are not in it")
        lines += [other.sentence() for other in self.others]
        return "\n".join([*lines, *(f"left out: {what}" for what in self.left)])


def salvage(journal: Path, stand: Path | None, setup: str | None) -> Salvaged:
    """Make a capture of each run in a journal or a plain log. Raises RigError."""
    check_file(journal)
    if setup is not None:
        checked_setup(setup)
    settings = load_stand(stand) if stand is not None else None
    made: list[Salvaged] = []
    left: list[tuple[int, InputFileError]] = []
    with terminal.progress(f"reading {journal.name}") as advance:
        spans = runs_in(journal)
        for span in spans if len(spans) > 1 else [WHOLE]:
            try:
                capture = convert(journal, stand=settings, setup=setup, progress=advance, span=span)
            except InputFileError as error:
                left.append((span[0], error))
            else:
                made.append(Salvaged(capture, read_meta(capture)))
    if not made:
        raise left[-1][1]
    words = tuple(f"from byte {start} on: {error.what}" for start, error in left)
    return replace(made[0], others=tuple(made[1:]), left=words)
