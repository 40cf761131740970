"""Captures in, runs ready to be compared out. Figures are computed once and kept by content."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from platformdirs import user_cache_path

from rig.analysis.began import Made, began
from rig.analysis.derived import Stand
from rig.analysis.runs import Run, Step
from rig.analysis.steps import at_step, pick
from rig.captures.dataset import Claim, Found, left_out_line, left_out_unreadable, once
from rig.captures.files import sha256
from rig.captures.identity import Identity, identity_of
from rig.errors import InputFileError, RigError
from rig.stand.model import Converter, Limits
from rig.vocabulary import Severity

if TYPE_CHECKING:
    from rig.analysis.figures import Figures
    from rig.stand.sampler import Sampler
    from rig.stand.uncertainty import Components

FIGURES_VERSION = 10
"""Counts up whenever the same capture gives other figures than before."""

WITH_HELP_FROM = 8
"""Captures from which on several processes share the work."""

Row = dict[str, Any]
_ROW_HAS = {
    "name", "setup", "outcome", "steps", "counts", "utc", "throttle", "stand", "hello",
    "channels", "calibration", "calibrated", "rows", "identity", "amended", "notes", "cause",
    "pairs", "events", "alarms", "made",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Gathered:
    """Each run once, by the file that counts, in the order in which the runs began.

    `left_out` names the files that do not count: a line for those whose run has a better
    capture, and one for each file of a folder that cannot be read. `clock` says where the
    computer's clock was changed between runs.
    """

    runs: Mapping[Path, Run]
    left_out: tuple[str, ...] = ()
    clock: tuple[str, ...] = ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """All that a comparison must say of them."""
        return (*self.left_out, *self.clock)


def gather_once(
    found: Found,
    window_s: tuple[float, float] | None = None,
    progress: Callable[[float], None] = lambda _share: None,
    step_pct: float | None = None,
) -> Gathered:
    """The runs of `found`, each once, at their step of `step_pct` throttle or at the last one.

    `window_s` is taken as the steady part of every step where it is given: from and to, counted
    from the start of the step's throttle hold. Runs whose hold it is not inside say so
    in `left_out`. Raises InputFileError for a file that was named and cannot be read, and where
    nothing is left, and SettingsError where no run has such a step.
    """
    rows: dict[Path, Row] = {}
    left_out = list(found.left_out)
    for path, row in _rows(found.files, window_s, progress):
        if not isinstance(row, RigError):
            rows[path] = row
        elif path in found.named:
            raise row
        else:
            left_out.append(left_out_unreadable(path, row))
    if not rows:
        raise InputFileError("none of the captures can be read", to_do="\n  ".join(left_out))
    counted = once([_claim(path, row) for path, row in rows.items()])
    left_out += left_out_line(counted)
    chosen = {
        path: _newest_words([rows[path], *(rows[other] for other in others)])
        for path, others in counted.items()
    }
    runs, clock = _runs(chosen)
    return Gathered(_picked(runs, step_pct), tuple(left_out), clock)


def gather_each(
    paths: Sequence[Path],
    progress: Callable[[float], None] = lambda _share: None,
    step_pct: float | None = None,
) -> tuple[dict[Path, Run | RigError], dict[Path, Path]]:
    """The run of each capture, also where several hold the same, or why it cannot be read.

    Then for each capture that does not count the one that counts in its place. `step_pct` is as
    for `gather_once`.
    """
    found = dict(_rows(paths, None, progress))
    rows = {path: row for path, row in found.items() if not isinstance(row, RigError)}
    unread = {path: row for path, row in found.items() if isinstance(row, RigError)}
    counted = once([_claim(path, row) for path, row in rows.items()])
    same = {other: path for path, others in counted.items() for other in others}
    return {**_picked(_runs(rows)[0], step_pct), **unread}, same


def gather(paths: Sequence[Path], window_s: tuple[float, float] | None = None) -> list[Run]:
    """The runs of captures, also where several hold the same, in the order in which they began.

    `window_s` is as for `gather_once`. Raises InputFileError.
    """
    rows = {path: _or_raise(row) for path, row in _rows(paths, window_s)}
    return list(_runs(rows)[0].values())


def _picked(runs: Mapping[Path, Run], step_pct: float | None) -> dict[Path, Run]:
    return dict(zip(runs, pick(list(runs.values()), step_pct), strict=True))


def _or_raise(row: Row | RigError) -> Row:
    if isinstance(row, RigError):
        raise row
    return row


def _runs(rows: Mapping[Path, Row]) -> tuple[dict[Path, Run], tuple[str, ...]]:
    """In the order in which they began, and what is to be said about the computer's clock."""
    from rig.stand.uncertainty import Components  # after the work that needs no uncertainties

    stands: dict[str, Stand] = {}
    shared = Components()
    began_s, clock = began([_made_at(row) for row in rows.values()])
    runs = {
        path: _run(row, seconds, stands, shared)
        for (path, row), seconds in zip(rows.items(), began_s, strict=True)
    }

    def by_time(item: tuple[Path, Run]) -> tuple[bool, float, str]:
        run = item[1]
        return math.isnan(run.began_s), run.began_s, run.name

    return dict(sorted(runs.items(), key=by_time)), tuple(clock)


def _made_at(row: Row) -> Made:
    campaign, setup, run, boot, ahead_s = row["made"]
    ahead_s = math.nan if ahead_s is None else ahead_s
    return Made(row["name"], _seconds(row["utc"]), boot, ahead_s, (campaign, setup), run)


def _claim(path: Path, row: Row) -> Claim:
    identity = Identity(**row["identity"]) if row["identity"] else None
    return Claim(
        path,
        identity,
        row["outcome"],
        row["rows"],
        row["calibrated"],
        row["calibration"],
        row["amended"],
    )


def _newest_words(rows: Sequence[Row]) -> Row:
    """The first of the `rows` of one run, as the newest amendment of any of them describes it.

    Without this a correction of a capture that was recalibrated before would have no effect.
    """
    newest = max(rows, key=lambda row: str(row["amended"]))
    return rows[0] | {key: newest[key] for key in ("setup", "notes", "pairs")}


def _rows(
    paths: Sequence[Path],
    window_s: tuple[float, float] | None,
    progress: Callable[[float], None] = lambda _share: None,
) -> Iterator[tuple[Path, Row | RigError]]:
    """Of each capture all that a comparison needs, fit for JSON; or why it cannot be had."""
    with ThreadPoolExecutor() as readers:
        places = list(readers.map(_place, paths, [window_s] * len(paths)))
    kept = [place if isinstance(place, RigError) else _kept(place) for place in places]
    missing = [
        (path, place, window_s)
        for path, place, row in zip(paths, places, kept, strict=True)
        if row is None and isinstance(place, Path)
    ]
    help_pays = len(missing) >= WITH_HELP_FROM and (os.cpu_count() or 1) > 1
    with (
        ProcessPoolExecutor(min(os.cpu_count() or 1, 8)) if help_pays else nullcontext() as several
    ):
        made = several.map(_made, missing, chunksize=4) if several else map(_made, missing)
        for number, (path, row) in enumerate(zip(paths, kept, strict=True), 1):
            had = next(made) if row is None else row
            yield path, had if isinstance(had, RigError) else {**had, "name": path.name}
            progress(number / len(paths))


def _made(asked: tuple[Path, Path, tuple[float, float] | None]) -> Row | RigError:
    path, place, window_s = asked
    try:
        row = _reckon(path, window_s)
    except InputFileError as error:
        return error
    _keep(place, row)
    return row


def _reckon(path: Path, window_s: tuple[float, float] | None) -> Row:
    from rig.analysis.figures import figures_by_step
    from rig.captures.capture import load
    from rig.captures.convert import edge_scale_of, reference_scale_of

    capture = load(path)
    meta = capture.meta
    identity = identity_of(path, meta)
    scales = edge_scale_of(meta), reference_scale_of(meta)
    steps = figures_by_step(capture.frame, *scales, window_s)
    hold_from_s = steps[-1].hold_from_s
    return {
        "name": path.name,
        "setup": meta.setup,
        "outcome": meta.outcome,
        "steps": [_step_row(number, step) for number, step in enumerate(steps, 1)],
        "counts": {**steps[-1].counts, "lost": int(meta.statistics.get("lost") or 0)},
        "utc": meta.utc or meta.filed,
        "made": [meta.campaign, meta.first_setup, meta.run, *meta.clock],
        "throttle": meta.throttle,
        "stand": meta.stand,
        "hello": meta.hello,
        "channels": list(meta.channels),
        "calibration": _calibration(meta.stand, meta.hello, meta.channels),
        "calibrated": meta.calibrated,
        "rows": len(capture.frame),
        "identity": asdict(identity) if identity else None,
        "amended": meta.amended,
        "notes": meta.notes,
        "cause": meta.cause,
        "pairs": meta.pairs,
        "events": meta.events_from(None if math.isnan(hold_from_s) else hold_from_s),
        "alarms": sorted(
            {
                (str(alarm["severity"]), str(alarm["quantity"]))
                for alarm in meta.alarms
                if alarm["severity"] in (Severity.WARNING, Severity.TRIP)
            }
        ),
    }


def _step_row(number: int, step: Figures) -> Row:
    """The fields of `rig.analysis.runs.Step`, fit for JSON."""
    window = step.window
    edges_s = (window.start_s, window.end_s) if window else (math.nan, math.nan)
    return {
        "number": number,
        "throttle_pct": step.throttle_pct,
        "hold_from_s": step.hold_from_s,
        "window_s": [edge - step.hold_from_s for edge in edges_s],
        "figures": dict(step.means),
        "errors": dict(step.errors),
        "still_rising": list(step.still_rising),
        "why": step.why,
    }


def _step(row: Mapping[str, Any]) -> Step:
    start_s, end_s = row["window_s"]
    return Step(**{**row, "window_s": (start_s, end_s), "still_rising": (*row["still_rising"],)})


def _run(
    row: Mapping[str, Any], began_s: float, stands: dict[str, Stand], shared: Components
) -> Run:
    key = row["calibration"]
    if key not in stands:
        stands[key] = _stand(row, shared)
    steps = tuple(map(_step, row["steps"]))
    limits = _limits(json.dumps(row["stand"]))
    run = Run(
        name=row["name"],
        setup=row["setup"],
        outcome=row["outcome"],
        figures={},
        counts=row["counts"],
        began_s=began_s,
        throttle=tuple((pct, seconds) for pct, seconds in row["throttle"]),
        limits=limits,
        cells=limits.cells if limits else None,
        stand_name=str(row["stand"].get("name", "")),
        stand=stands[key],
        notes=row["notes"],
        cause=row["cause"],
        pairs=row["pairs"],
        events=tuple((time_s, text) for time_s, text in row["events"]),
        alarms=frozenset((severity, quantity) for severity, quantity in row["alarms"]),
        identity=row["identity"]["digest"] if row["identity"] else "",
        hold_from_s=steps[-1].hold_from_s,
        follows_reference=bool(row["stand"].get("reference")),
        steps=steps,
    )
    return at_step(run, steps[-1])


def _stand(row: Mapping[str, Any], shared: Components) -> Stand:
    """The calibration of a capture, read when it is first asked; it may know nothing.

    Calibrations that differ in one component have the others in common, by `shared`.
    """

    @cache
    def sampler() -> Sampler | None:
        from rig.captures.convert import sampler_of

        try:
            return sampler_of(row["stand"], row["hello"], row["channels"], shared)
        except RigError:
            return None

    def measured(means: Mapping[str, float]) -> Mapping[str, Any]:
        known = sampler()
        return known.measured(means, single=False) if known is not None else {}

    return measured


def _digest(content: str) -> str:
    return hashlib.blake2b(content.encode(), digest_size=16).hexdigest()


def _calibration(stand: Mapping[str, Any], hello: str, channels: Sequence[str]) -> str:
    """The same text for runs of one board and one calibration: what changes no reading is left
    out, such as limits, names, the port, the firmware's version and the boot number.

    Of a board's zero it matters only whether one was taken: then a sensor has no offset.
    """
    _, _, board, _, _, tick_hz, line_hz, *_ = [*hello.split(","), *7 * [""]]
    inputs = []
    for line in channels:
        head, _, zero = line.rpartition(",")
        inputs.append([head, zero != "0"])
    converter = asdict(Converter()) | (stand.get("converter") or {})
    measuring = [stand.get("channels"), stand.get("tachometer"), converter]
    # Where there is none, the text stays as it was.
    measuring += [stand["reference"]] if stand.get("reference") else []
    content = json.dumps([measuring, board, tick_hz, line_hz, inputs], sort_keys=True)
    return _digest(content)


@lru_cache(64)
def _limits(stand: str) -> Limits | None:
    """The limits of a stand as JSON; None where they cannot be read."""
    from rig.stand.settings import stand_from_dict

    try:
        return stand_from_dict(json.loads(stand)).limits
    except RigError:
        return None


def _seconds(utc: str) -> float:
    try:
        return datetime.fromisoformat(utc).timestamp()
    except ValueError:
        return math.nan


# What was reckoned before


def _place(path: Path, window_s: tuple[float, float] | None) -> Path | RigError:
    try:
        content = sha256(path)
    except InputFileError as error:
        return error
    asked = "" if window_s is None else f"-{window_s[0]!r}-{window_s[1]!r}"
    name = f"{content}-{FIGURES_VERSION}{asked}.json"
    return user_cache_path("rig", appauthor=False) / "figures" / name


def _kept(place: Path) -> Row | None:
    """The row of a file that is as `_keep` left it; any other is as good as none."""
    try:
        digest, _, content = place.read_text(encoding="utf-8").partition("\n")
        row = json.loads(content) if digest == _digest(content) else None
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(row, dict) or row.keys() != _ROW_HAS:
        return None
    return row


def _keep(place: Path, row: Row) -> None:
    """Kept if it can be; a cache that cannot be written is no reason to fail."""
    half = place.with_suffix(f".{os.getpid()}.half")
    content = json.dumps(row)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        half.write_text(f"{_digest(content)}\n{content}", encoding="utf-8")
        half.replace(place)
    except OSError:
        half.unlink(missing_ok=True)
