"""Captures looked at afterwards: shown, compared, reported, salvaged."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from rig.analysis.air import air_density_from_text
from rig.analysis.answers import Comparisons, Question
from rig.analysis.comparison import compare as compare_runs
from rig.analysis.figures import figures_of, run_figures
from rig.analysis.powertrain import Gear
from rig.analysis.runs import Run
from rig.analysis.steady import steady_windows
from rig.captures.capture import Capture, Meta, load, read_meta
from rig.captures.convert import convert
from rig.captures.files import write_new
from rig.captures.introduction import WHOLE, runs_in
from rig.errors import InputFileError, SettingsError
from rig.gather import WITH_HELP_FROM, capture_files, gather, gather_by_file
from rig.report import terminal
from rig.report.content import Report, listed
from rig.report.data import report_data
from rig.report.markdown import as_markdown
from rig.stand.settings import load_stand
from rig.text import plain


@dataclass(frozen=True, slots=True)
class Shown:
    """One run, ready to be printed."""

    capture: Capture
    figures: dict[str, float]
    uncertainty: dict[str, float]
    """Standard uncertainties: of the mean, autocorrelation allowed for, with the stand's own."""
    holds: list[dict[str, float]]
    """Each throttle hold's `throttle_pct`, steady window and means."""

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "figures": json_ready(self.figures),
            "uncertainty": json_ready(self.uncertainty),
            "holds": [json_ready(hold) for hold in self.holds],
            **self.capture.meta.as_dict(),
        }

    def print(self) -> None:
        """Figures, what happened, and a plot."""
        meta = self.capture.meta
        print(plain(f"{meta.setup}, run {meta.run}: {meta.outcome}, {meta.cause}"))
        terminal.print_figures(self.figures, self.uncertainty)
        if len(self.holds) > 1:
            terminal.print_holds(self.holds)
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
    figures = run_figures(capture.frame)
    (run,) = gather([path])
    known = run.measured()
    uncertainty = {
        quantity: math.hypot(error, getattr(known.get(quantity), "std_dev", 0.0))
        for quantity, error in run.errors.items()
    }
    holds = [
        {"throttle_pct": throttle, "from_s": window.start_s, "to_s": window.end_s}
        | dict(figures_of(capture.frame, window).means)
        for throttle, window in steady_windows(capture.frame)
        if window is not None
    ]
    return Shown(capture, figures, uncertainty, holds)


def question(
    worth_pct: float,
    air: Sequence[str],
    other_rotor: bool,
    kv_rpm_per_v: float | None,
    teeth: str | None,
) -> Question:
    """What the tester asks, from what was typed. Raises SettingsError."""
    density: dict[str, float] = {}
    for text in air:
        setup, equals, reading = text.rpartition("=")
        if not equals or not setup:
            raise SettingsError(
                f"{text!r} is not SETUP=DEGC,HPA", where="--air", to_do="Such as early=21,1013."
            )
        density[setup] = air_density_from_text(reading)
    return Question(worth_pct, density, other_rotor, kv_rpm_per_v, _gear(teeth))


def _gear(text: str | None) -> Gear | None:
    if text is None:
        return None
    pinion, slash, spur = text.partition("/")
    if not slash or not pinion.isdecimal() or not spur.isdecimal() or int(pinion) * int(spur) < 1:
        raise SettingsError(f"{text!r} is not PINION/SPUR", where="--teeth", to_do="Such as 12/60.")
    return Gear(int(pinion), int(spur))


def window(text: str | None) -> tuple[float, float] | None:
    """The window that was typed. Raises SettingsError."""
    if text is None:
        return None
    try:
        start_s, end_s = map(float, text.split(":"))
    except ValueError:
        start_s = end_s = math.nan
    if not 0.0 <= start_s < end_s < math.inf:
        raise SettingsError(
            f"{text!r} is not FROM:TO in seconds", where="--window", to_do="Such as 4:12."
        )
    return start_s, end_s


def compare(
    paths: Sequence[Path],
    baseline: str,
    question: Question | None = None,
    window_s: tuple[float, float] | None = None,
) -> Comparisons:
    """The setups in `paths` against `baseline`. Raises RigError."""
    runs = _runs(paths, window_s)
    return compare_runs(list(runs.values()), baseline, question)


def _runs(paths: Sequence[Path], window_s: tuple[float, float] | None) -> dict[Path, Run]:
    files = capture_files(paths)
    if len(files) < WITH_HELP_FROM:
        return gather_by_file(files, window_s)
    with terminal.progress(f"figures of {len(files)} captures") as advance:
        return gather_by_file(files, window_s, advance)


def report(
    paths: Sequence[Path],
    baseline: str,
    out: Path,
    made: datetime,
    question: Question | None = None,
    window_s: tuple[float, float] | None = None,
) -> Path:
    """Write the comparison of the setups in `paths` to `out`; its ending says in which form.

    `made` is the time of making that the report tells. Gives where it was written. Raises
    RigError.
    """
    write = REPORTS.get(out.suffix.lower())
    if write is None:
        raise SettingsError(
            f"cannot write {out.suffix or 'a file without an ending'}",
            where=str(out),
            to_do=f"Choose a name that ends in one of {', '.join(REPORTS)}.",
        )
    if out.exists():
        raise SettingsError(
            "there is such a file already, and nothing is overwritten",
            where=str(out),
            to_do="Choose another name with --out, or move that file away.",
        )
    runs = _runs(paths, window_s)
    comparisons = compare_runs(list(runs.values()), baseline, question)
    captures = [listed(path, run) for path, run in runs.items()]
    program = f"rig {version('rig')}"
    content = write(Report(comparisons, captures, program, made)).encode()
    return write_new(out, lambda file: file.write(content))


def _html(report: Report) -> str:
    from rig.report.html import as_html  # it draws, and what it draws with is slow to import

    return as_html(report)


def _json(report: Report) -> str:
    return json.dumps(report_data(report), indent=2, allow_nan=False) + "\n"


REPORTS: dict[str, Callable[[Report], str]] = {".html": _html, ".md": as_markdown, ".json": _json}


def json_ready(figures: dict[str, float]) -> dict[str, float | None]:
    """NaN has no place in JSON: what is not known becomes null."""
    return {key: value if math.isfinite(value) else None for key, value in figures.items()}


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
        ends = {"cut off": "the journal has no end: its recorder died"}
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
