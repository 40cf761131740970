"""Captures looked at afterwards: shown, compared, salvaged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rig.analysis.comparison import Comparisons, RunFigures
from rig.analysis.comparison import compare as compare_runs
from rig.analysis.figures import run_figures
from rig.captures.capture import Capture, Meta, load, read_meta
from rig.captures.convert import convert
from rig.errors import InputFileError
from rig.report import terminal
from rig.stand.settings import load_stand
from rig.text import plain


@dataclass(frozen=True, slots=True)
class Shown:
    """One run, ready to be printed."""

    capture: Capture
    figures: dict[str, float]

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {"figures": json_ready(self.figures), **self.capture.meta.as_dict()}

    def print(self) -> None:
        """Figures, what happened, and a plot."""
        meta = self.capture.meta
        print(plain(f"{meta.setup}, run {meta.run}: {meta.outcome}, {meta.cause}"))
        terminal.print_figures(self.figures)
        rows = [
            (f"{alarm.get('time_s') or 0.0:.2f} s", str(alarm["severity"]), str(alarm["text"]))
            for alarm in meta.alarms
        ]
        if rows:
            terminal.print_table(["at ", "", "event"], rows)
        terminal.print_plot(self.capture.frame)


def show(path: Path) -> Shown:
    """One capture and its figures. Raises InputFileError."""
    capture = load(path)
    return Shown(capture, run_figures(capture.frame))


def capture_files(paths: Sequence[Path]) -> list[Path]:
    """The captures named, and those in the folders named, without repeats."""
    found: dict[Path, None] = {}
    for path in paths:
        if path.is_dir():
            found |= dict.fromkeys(sorted(path.rglob("*.parquet")))
        else:
            found[path] = None
    if not found:
        names = ", ".join(map(str, paths))
        raise InputFileError("no capture is there", where=names, to_do="Record some: `rig run`.")
    return list(found)


def compare(paths: Sequence[Path], baseline: str) -> Comparisons:
    """The setups in `paths` against `baseline`. Raises RigError."""
    runs = []
    for path in capture_files(paths):
        capture = load(path)
        runs.append(
            RunFigures(
                path.name, capture.meta.setup, capture.meta.outcome, run_figures(capture.frame)
            )
        )
    return compare_runs(runs, baseline)


def comparisons_as_dict(comparisons: Comparisons) -> dict[str, Any]:
    """For --json."""
    return {
        "baseline": comparisons.baseline,
        "variants": {
            comparison.variant: {
                "changes": {
                    change.quantity: {
                        key: value for key, value in asdict(change).items() if key != "quantity"
                    }
                    for change in comparison.changes
                }
            }
            for comparison in comparisons.variants
        },
        "warnings": list(comparisons.warnings),
    }


def json_ready(figures: dict[str, float]) -> dict[str, float | None]:
    """NaN has no place in JSON: what is not known becomes null."""
    return {key: value if math.isfinite(value) else None for key, value in figures.items()}


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What could be kept of a journal or log."""

    capture: Path
    meta: Meta

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "written": str(self.capture),
            "rows": self.meta.rows,
            "outcome": self.meta.outcome,
            "statistics": self.meta.statistics,
        }

    def sentence(self) -> str:
        """What was kept and what was not."""
        statistics = self.meta.statistics
        rejected = sum(statistics["rejected"].values())
        ends = {"cut off": "the journal has no end: its recorder died"}
        lines = [
            f"written: {self.capture}",
            f"{self.meta.rows} lines kept, {statistics['lost']} lost on the way, "
            f"{rejected} rejected{', the last one cut short' if statistics['cut_line'] else ''}",
            ends.get(self.meta.outcome, f"outcome: {self.meta.outcome}"),
        ]
        return "\n".join(lines)


def salvage(journal: Path, stand: Path | None, setup: str | None) -> Salvaged:
    """Make a capture of a journal or a plain log. Raises RigError."""
    settings = load_stand(stand) if stand is not None else None
    with terminal.progress(f"reading {journal.name}") as advance:
        capture = convert(journal, stand=settings, setup=setup, progress=advance)
    return Salvaged(capture, read_meta(capture))
