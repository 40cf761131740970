"""For notebooks: figures and comparisons as tidy tables."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from rig.captures.dataset import find_captures
from rig.gather import gather_once

Paths = str | Path | Sequence[str | Path]


def figures(paths: Paths) -> pd.DataFrame:
    """One row per run, in the order in which they began. Each run counts once.

    Columns: `capture`, `setup`, `outcome`, `began` (UTC), `hold_from_s`, where the last throttle
    hold begins on the capture's own time scale, `steady_from_s` and `steady_to_s`, which count
    from there (add `hold_from_s` to compare with a capture's `time_s`), then
    every mean over the steady window under the name of its column, unit included, each
    followed by `<column>_u`, its standard error, where it has one. `paths` are captures or
    folders of them; what is left out of them is a Python warning. Raises RigError.
    """
    rows = []
    gathered = gather_once(find_captures(_paths(paths)))
    _warn(gathered.left_out)
    for run in gathered.runs.values():
        row: dict[str, object] = {
            "capture": run.name,
            "setup": run.setup,
            "outcome": run.outcome,
            "began": run.began_s,
            "hold_from_s": run.hold_from_s,
            "steady_from_s": run.window_s[0],
            "steady_to_s": run.window_s[1],
        }
        for quantity, mean in run.figures.items():
            row[quantity] = mean
            if quantity in run.errors:
                row[f"{quantity}_u"] = run.errors[quantity]
        rows.append(row)
    table = pd.DataFrame(rows)
    table["began"] = pd.to_datetime(table["began"], unit="s", utc=True)
    return table


def compare(paths: Paths, baseline: str, worth_pct: float = 0.0) -> pd.DataFrame:
    """One row per setup and quantity, against `baseline`.

    Columns: `setup`, `quantity`, `baseline` and `variant` (means of the runs), their `_spread`
    (standard deviation between runs), `change_pct` with `low_pct` and `high_pct` (95 %),
    `scatter_pct` and `stand_pct` (standard uncertainties), `change_k` (of temperature rises, in
    K), `verdict`. The comparison's warnings are Python warnings. Raises RigError.
    """
    from rig import review
    from rig.analysis.answers import Question
    from rig.report.data import as_data

    question = Question(worth_pct=worth_pct)
    comparisons = review.compare(_paths(paths), baseline, question)
    _warn(comparisons.warnings)
    data = as_data(comparisons)
    rows = []
    for setup, item in data["variants"].items():
        for quantity, change in item["changes"].items():
            low, high = change["ci95_pct"] or (None, None)
            rows.append(
                {
                    "setup": setup,
                    "quantity": quantity,
                    **{key: change[key] for key in _KEPT},
                    "low_pct": low,
                    "high_pct": high,
                    "verdict": item["verdict"],
                }
            )
    return pd.DataFrame(rows)


_KEPT = (
    "baseline", "variant", "baseline_spread", "variant_spread", "change_pct", "scatter_pct",
    "stand_pct", "change_k",
)  # fmt: skip


def _warn(lines: Sequence[str]) -> None:
    for line in lines:
        warnings.warn(line, stacklevel=3)


def _paths(paths: Paths) -> list[Path]:
    return [Path(paths)] if isinstance(paths, str | Path) else [Path(path) for path in paths]
