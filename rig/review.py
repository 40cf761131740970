"""Captures looked at afterwards: listed, shown, compared, reported, amended."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rig.analysis.air import air_density_from_text
from rig.analysis.answers import Bound, Comparisons, Question
from rig.analysis.comparison import compare as compare_runs
from rig.analysis.powertrain import Gear
from rig.analysis.runs import Run
from rig.analysis.steps import pick
from rig.captures.amend import Correction, corrected_pairs
from rig.captures.amend import amend as correct
from rig.captures.capture import load, read_meta
from rig.captures.dataset import find_captures
from rig.captures.description import parse_pairs
from rig.captures.files import write_new
from rig.captures.listing import list_captures
from rig.errors import SettingsError
from rig.gather import WITH_HELP_FROM, Gathered, gather, gather_each, gather_once
from rig.report import terminal
from rig.report.content import Report, listed
from rig.report.data import json_ready, report_data, step_data
from rig.report.html import as_html
from rig.report.markdown import as_markdown
from rig.report.runs import Listed, local_time
from rig.report.sections import comparison_blocks
from rig.report.shown import Shown
from rig.version import version


def show(path: Path, step_pct: float | None = None) -> Shown:
    """One capture and its figures at one step. Raises InputFileError, and SettingsError where
    the run has no such step."""
    capture = load(path)
    (run,) = pick(gather([path]), step_pct)
    return Shown(capture, run)


def question(
    worth_pct: float | None,
    air: Sequence[str],
    other_rotor: bool,
    kv_rpm_per_v: float | None,
    teeth: str | None,
    *,
    cost: Sequence[str] = (),
    exponent_u: float | None = None,
    use: str | None = None,
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
    return Question(
        worth_pct,
        tuple(map(_bound, cost)),
        density,
        other_rotor,
        exponent_u,
        kv_rpm_per_v,
        _gear(teeth),
        _use(use),
    )


def _use(text: str | None) -> dict[float, float]:
    """Shares of time, such as `30:20,60:70,90:10`. Raises SettingsError."""
    found: dict[float, float] = {}
    for word in text.split(",") if text else ():
        match = re.fullmatch(r"\s*([0-9.]{1,8}):([0-9.]{1,8})\s*", word)
        try:
            at, share = map(float, match.groups()) if match else (math.nan, math.nan)
        except ValueError:
            at = share = math.nan
        if not at > 0.0 or not share > 0.0 or at in found:
            raise SettingsError(
                f"{word!r} is not STEP:SHARE, or comes twice",
                where="--use",
                to_do="Steps in percent of throttle or speeds in rpm, each with its share of time: "
                "30:20,60:70,90:10.",
            )
        found[at] = share
    return found


def _bound(text: str) -> Bound:
    """A bound on the cost, such as `current=5%` or `motor=10K`. Raises SettingsError."""
    found = re.fullmatch(r"\s*([a-z0-9_ -]+?)\s*=\s*([0-9.]{1,8})\s*(%|K)\s*", text)
    name, amount, unit = found.groups() if found else ("", "", "")
    in_percent = {"current": "current_a", "power": "power_w", "efficiency": "efficiency"}
    quantity = in_percent.get(name) if unit == "%" else f"{name}_degc_rise" if unit else None
    try:
        at_most = float(amount)
    except ValueError:
        quantity, at_most = None, math.nan
    if quantity is None:
        raise SettingsError(
            f"{text!r} is not a bound on the cost",
            where="--cost",
            to_do="Such as current=5%, power=5%, efficiency=1% (a loss) or motor=10K (a rise).",
        )
    return Bound(quantity, at_most, unit)


def _gear(text: str | None) -> Gear | None:
    if text is None:
        return None
    pinion, slash, spur = text.partition("/")
    if not slash or not pinion.isdecimal() or not spur.isdecimal() or int(pinion) * int(spur) < 1:
        raise SettingsError(f"{text!r} is not PINION/SPUR", where="--teeth", to_do="Such as 12/60.")
    return Gear(int(pinion), int(spur))


def window(text: str | None) -> tuple[float, float] | None:
    """The window that was typed, from the start of a hold. Raises SettingsError."""
    if text is None:
        return None
    try:
        start_s, end_s = map(float, text.split(":"))
    except ValueError:
        start_s = end_s = math.nan
    if not 0.0 <= start_s < end_s < math.inf:
        raise SettingsError(
            f"{text!r} is not FROM:TO in seconds from the start of the hold",
            where="--window",
            to_do="Such as 4:12.",
        )
    return start_s, end_s


def compare(
    paths: Sequence[Path],
    baseline: str,
    question: Question | None = None,
    window_s: tuple[float, float] | None = None,
    step_pct: float | None = None,
) -> Comparisons:
    """The setups in `paths` compared with `baseline`, at one step. Raises RigError."""
    gathered = _gathered(paths, window_s, step_pct)
    return compare_runs(list(gathered.runs.values()), baseline, question, gathered.warnings)


def _gathered(
    paths: Sequence[Path], window_s: tuple[float, float] | None, step_pct: float | None
) -> Gathered:
    found = find_captures(paths)
    with _progress(len(found.files)) as advance:
        return gather_once(found, window_s, advance, step_pct)


def _progress(captures: int) -> AbstractContextManager[Callable[[float], None]]:
    """Shown where the figures of so many captures take a while."""
    if captures < WITH_HELP_FROM:
        return nullcontext(lambda _share: None)
    return terminal.progress(f"figures of {captures} captures")


def report(
    paths: Sequence[Path],
    baseline: str,
    out: Path,
    made: datetime,
    question: Question | None = None,
    window_s: tuple[float, float] | None = None,
    step_pct: float | None = None,
) -> Path:
    """Write the comparison of the setups in `paths` to `out`; its ending says in which form.

    `made` is the time of making that the report states. Gives where it was written. Raises
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
    gathered = _gathered(paths, window_s, step_pct)
    runs = list(gathered.runs.values())
    comparisons = compare_runs(runs, baseline, question, gathered.warnings)
    captures = [listed(path, run) for path, run in gathered.runs.items()]
    program = f"rig {version()}"
    content = write(Report(comparisons, captures, program, made)).encode()
    return write_new(out, lambda file: file.write(content))


def _html(report: Report) -> str:
    return as_html(comparison_blocks(report.comparisons, report))


def _markdown(report: Report) -> str:
    return as_markdown(comparison_blocks(report.comparisons, report))


def _json(report: Report) -> str:
    return json.dumps(report_data(report), indent=2, allow_nan=False) + "\n"


REPORTS: dict[str, Callable[[Report], str]] = {".html": _html, ".md": _markdown, ".json": _json}


def amend(
    paths: Sequence[Path],
    setup: str | None,
    notes: str | None,
    pairs: Sequence[str],
    now: datetime,
) -> Iterator[tuple[Path, list[dict[str, str]]]]:
    """Correct the words of captures; gives each and what was changed in it. Raises RigError.

    All descriptions are checked before the first file is rewritten.
    """
    correction = Correction(setup, notes, parse_pairs(pairs, may_remove=True))
    for path in paths:
        corrected_pairs(read_meta(path), correction)
    for path in paths:
        yield path, correct(path, correction, now)


def runs(folder: Path, step_pct: float | None = None) -> list[Listed]:
    """The captures and journals in `folder`, with the figures of those that have any.

    The figures are those of the step of `step_pct` throttle, or of the last one. Raises
    InputFileError where there is no such folder, SettingsError where no run has such a step.
    """
    rows = list_captures(folder)
    paths = [row.path for row in rows if row.kind == "capture"]
    with _progress(len(paths)) as advance:
        found, same = gather_each(paths, advance, step_pct)
    filled: list[Listed] = []
    for row in rows:
        run = found.get(row.path)
        if isinstance(run, Run):
            same_as = str(same[row.path].relative_to(folder)) if row.path in same else ""
            steps = [step_data(step) for step in run.steps]
            row = replace(row, events=run.events, same_as=same_as, steps=steps)
            filled.append((row, run.figures))
        elif run is not None:
            filled.append((replace(row, kind="unreadable", outcome=f"unreadable: {run.what}"), {}))
        else:
            filled.append((row, {}))
    return filled


def runs_data(listed: Sequence[Listed]) -> list[dict[str, Any]]:
    """The same for --json: all that is known of each file."""
    return [
        {**row.as_dict(), "began_local": local_time(row.utc), "figures": json_ready(dict(figures))}
        for row, figures in listed
    ]
