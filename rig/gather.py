"""Captures in, runs ready to be compared out. Figures are kept by content, once reckoned."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import nullcontext
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from platformdirs import user_cache_path

from rig.analysis.runs import Run, Stand
from rig.captures.files import sha256
from rig.errors import InputFileError, RigError

if TYPE_CHECKING:
    from rig.stand.sampler import Sampler

FIGURES_VERSION = 3
"""Counts up whenever the same capture gives other figures than before."""

WITH_HELP_FROM = 8
"""Captures from which on several processes share the work."""

Row = dict[str, Any]
_ROW_HAS = {
    "name", "setup", "outcome", "means", "errors", "counts", "window", "utc", "throttle",
    "stand", "hello", "channels", "calibration",
}  # fmt: skip


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


def gather(
    paths: Sequence[Path],
    window_s: tuple[float, float] | None = None,
    progress: Callable[[float], None] = lambda _share: None,
) -> list[Run]:
    """The runs of `paths`, in the order in which they began. Raises InputFileError.

    `window_s` is taken as the steady part of every run where it is given.
    """
    return list(gather_by_file(paths, window_s, progress).values())


def gather_by_file(
    paths: Sequence[Path],
    window_s: tuple[float, float] | None = None,
    progress: Callable[[float], None] = lambda _share: None,
) -> dict[Path, Run]:
    """As `gather`, and from which file each run is."""
    rows: list[Row] = []
    for row in _rows(paths, window_s):
        rows.append(row)
        progress(len(rows) / len(paths))
    stands: dict[str, Stand] = {}
    runs = {path: _run(row, stands) for path, row in zip(paths, rows, strict=True)}

    def began(item: tuple[Path, Run]) -> tuple[bool, float, str]:
        run = item[1]
        return math.isnan(run.began_s), run.began_s, run.name

    return dict(sorted(runs.items(), key=began))


def _rows(paths: Sequence[Path], window_s: tuple[float, float] | None) -> Iterator[Row]:
    """All of each capture that a comparison needs, fit for JSON."""
    with ThreadPoolExecutor() as readers:
        places = list(readers.map(_place, paths, [window_s] * len(paths)))
    kept = list(map(_kept, places))
    missing = [
        (path, place, window_s)
        for path, place, row in zip(paths, places, kept, strict=True)
        if row is None
    ]
    help_pays = len(missing) >= WITH_HELP_FROM and (os.cpu_count() or 1) > 1
    with (
        ProcessPoolExecutor(min(os.cpu_count() or 1, 8)) if help_pays else nullcontext() as several
    ):
        made = several.map(_made, missing, chunksize=4) if several else map(_made, missing)
        for path, row in zip(paths, kept, strict=True):
            yield {**(next(made) if row is None else row), "name": path.name}


def _made(asked: tuple[Path, Path, tuple[float, float] | None]) -> Row:
    path, place, window_s = asked
    row = _reckon(path, window_s)
    _keep(place, row)
    return row


def _reckon(path: Path, window_s: tuple[float, float] | None) -> Row:
    from rig.analysis.figures import figures_of
    from rig.analysis.steady import Window
    from rig.captures.capture import load

    capture = load(path)
    meta = capture.meta
    figures = figures_of(capture.frame, Window(*window_s) if window_s else None)
    window = figures.window
    return {
        "name": path.name,
        "setup": meta.setup,
        "outcome": meta.outcome,
        "means": dict(figures.means),
        "errors": dict(figures.errors),
        "counts": {**figures.counts, "lost": int(meta.statistics.get("lost") or 0)},
        "window": [window.start_s, window.end_s] if window else None,
        "utc": meta.utc,
        "throttle": _throttle(meta.plan.get("throttle")),
        "stand": meta.stand,
        "hello": meta.hello,
        "channels": list(meta.channels),
        "calibration": _calibration(meta.stand, meta.hello, meta.channels),
    }


def _run(row: Mapping[str, Any], stands: dict[str, Stand]) -> Run:
    key = row["calibration"]
    if key not in stands:
        stands[key] = _stand(row)
    means = {name: math.nan if value is None else value for name, value in row["means"].items()}
    window = row["window"] or (math.nan, math.nan)
    return Run(
        name=row["name"],
        setup=row["setup"],
        outcome=row["outcome"],
        figures=means,
        errors=row["errors"],
        counts=row["counts"],
        began_s=_seconds(row["utc"]),
        throttle=tuple((pct, seconds) for pct, seconds in row["throttle"]),
        limits=_trips(row["stand"].get("limits")),
        cells=_cells(row["stand"].get("limits")),
        stand_name=str(row["stand"].get("name", "")),
        stand=stands[key],
        window_s=(float(window[0]), float(window[1])),
    )


def _stand(row: Mapping[str, Any]) -> Stand:
    """The calibration of a capture, read when it is first asked; it may know nothing."""

    @cache
    def sampler() -> Sampler | None:
        from rig.captures.convert import sampler_of

        try:
            return sampler_of(row["stand"], row["hello"], row["channels"])
        except RigError:
            return None

    def measured(means: Mapping[str, float]) -> Mapping[str, Any]:
        known = sampler()
        return known.measured(means, single=False) if known is not None else {}

    return measured


def _digest(content: str) -> str:
    return hashlib.blake2b(content.encode(), digest_size=16).hexdigest()


def _calibration(stand: Mapping[str, Any], hello: str, channels: Sequence[str]) -> str:
    """The same text for runs of one board and one calibration."""
    board = hello.split(",")
    board[4:5] = []  # the boot number, another in every run
    content = json.dumps([stand, board, list(channels)], sort_keys=True)
    return _digest(content)


def _trips(limits: Any) -> dict[str, float]:
    """The over-trip levels of what a change on paper can foretell."""
    columns = {"current": "current_a", "speed": "speed_rpm", "power": "power_w"}
    found = {}
    for key, column in columns.items():
        level = limits.get(key) if isinstance(limits, dict) else None
        over = level.get("trip_over") if isinstance(level, dict) else None
        if isinstance(over, int | float):
            found[column] = float(over)
    return found


def _cells(limits: Any) -> int | None:
    cells = limits.get("cells") if isinstance(limits, dict) else None
    return cells if isinstance(cells, int) and cells > 0 else None


def _throttle(steps: Any) -> list[tuple[float, float]]:
    """The planned steps; none where the file has something else in their place."""
    try:
        return [(float(percent), float(seconds)) for percent, seconds in steps or []]
    except (TypeError, ValueError):
        return []


def _seconds(utc: str) -> float:
    try:
        return datetime.fromisoformat(utc).timestamp()
    except ValueError:
        return math.nan


# What was reckoned before


def _place(path: Path, window_s: tuple[float, float] | None) -> Path:
    asked = "" if window_s is None else f"-{window_s[0]!r}-{window_s[1]!r}"
    name = f"{sha256(path)}-{FIGURES_VERSION}{asked}.json"
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
