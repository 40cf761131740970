"""For notebooks: figures and comparisons as tidy tables."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from rig.gather import capture_files, gather

Paths = str | Path | Sequence[str | Path]


def figures(paths: Paths) -> pd.DataFrame:
    """One row per run, in the order in which they began.

    Columns: `capture`, `setup`, `outcome`, `began` (UTC), `hold_from_s`, where the last throttle
    hold begins on the capture's own time scale, `steady_from_s` and `steady_to_s`, which count
    from there (add `hold_from_s` to compare with a capture's `time_s`), then
    every mean over the steady window under the name of its column, unit included, each
    followed by `<column>_u`, its standard error, where it has one. `paths` are captures or
    folders of them. Raises RigError.
    """
    rows = []
    for run in gather(capture_files(_paths(paths))):
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
    `scatter_pct` and `stand_pct` (standard uncertainties), `verdict`. Raises RigError.
    """
    from rig import review
    from rig.analysis.answers import Question
    from rig.report.data import as_data

    question = Question(worth_pct=worth_pct)
    data = as_data(review.compare(_paths(paths), baseline, question))
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
    "stand_pct",
)  # fmt: skip


def _paths(paths: Paths) -> list[Path]:
    return [Path(paths)] if isinstance(paths, str | Path) else [Path(path) for path in paths]
