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
    """One row per run and throttle step, in the order in which they were made.

    Each run counts once. Columns: `capture`, `setup`, `outcome`, `began` (UTC), `step`, counted
    from 1, its `throttle_pct`, `hold_from_s`, where its throttle hold begins on the capture's own
    time scale, `steady_from_s` and `steady_to_s`, which count from there (add `hold_from_s` to
    compare with a capture's `time_s`), `why`, the reason where a step has no figures, then every
    mean over the steady window under the name of its column, unit included, each followed by
    `<column>_u`, its standard error, where it has one. Charge, energy and rises of temperature
    are those from the run's begin to the end of the step (of the last step: of the recording, and
    to the peak). `paths` are captures or folders of them; what is left out of them is a Python
    warning. Raises RigError.
    """
    rows = []
    gathered = gather_once(find_captures(_paths(paths)))
    _warn(gathered.warnings)
    for run in gathered.runs.values():
        for step in run.steps:
            row: dict[str, object] = {
                "capture": run.name,
                "setup": run.setup,
                "outcome": run.outcome,
                "began": run.began_s,
                "step": step.number,
                "throttle_pct": step.throttle_pct,
                "hold_from_s": step.hold_from_s,
                "steady_from_s": step.window_s[0],
                "steady_to_s": step.window_s[1],
                "why": step.why,
            }
            for quantity, mean in step.figures.items():
                row[quantity] = mean
                if quantity in step.errors:
                    row[f"{quantity}_u"] = step.errors[quantity]
            rows.append(row)
    table = pd.DataFrame(rows)
    table["began"] = pd.to_datetime(table["began"], unit="s", utc=True)
    return table


def compare(
    paths: Paths,
    baseline: str,
    worth_pct: float | None = None,
    *,
    cost: Sequence[str] = (),
    air: Sequence[str] = (),
    other_rotor: bool = False,
    exponent_u: float | None = None,
    rpm_per_volt: float | None = None,
    teeth: str | None = None,
    window: str | None = None,
    step: float | None = None,
    use: str | None = None,
) -> pd.DataFrame:
    """One row per setup and quantity, compared with `baseline`: what `rig compare` answers.

    The arguments are the options of that command, in the same words (`cost=["current=5%"]`);
    `step` is the throttle, in percent, of the step to compare, without it the last one.
    Columns: `setup`, `quantity`, `baseline` and `variant` (means of the runs), their `_spread`
    (standard deviation between runs), `change_pct` with `low_pct` and `high_pct` (95 %
    confidence interval), `scatter_pct` and `known_pct` (standard uncertainties), `detectable_pct`
    (the change that these runs would have shown with 80 % probability), the same ending in `_k`
    for temperature rises in K, `verdict` and its `sentence`, and `step`, which of the runs' steps
    was compared (empty where they have one). The comparison's warnings are Python warnings.
    Raises RigError.
    """
    from rig import review
    from rig.report.data import as_data

    question = review.question(
        worth_pct, list(air), other_rotor, rpm_per_volt, teeth,
        cost=cost, exponent_u=exponent_u, use=use,
    )  # fmt: skip
    found = review.compare(_paths(paths), baseline, question, review.window(window), step)
    _warn(found.warnings)
    rows = []
    for setup, item in as_data(found)["variants"].items():
        for quantity, change in item["changes"].items():
            row = {"setup": setup, "quantity": quantity}
            for key, value in change.items():
                if key.startswith("ci95_"):
                    unit = key.removeprefix("ci95_")
                    row[f"low_{unit}"], row[f"high_{unit}"] = value or (None, None)
                elif not isinstance(value, dict | list):
                    row[key] = value
            words = {"verdict": item["verdict"], "sentence": item["verdict_sentence"]}
            rows.append(row | words | {"step": item["step"]})
    return pd.DataFrame(rows)


def _warn(lines: Sequence[str]) -> None:
    for line in lines:
        warnings.warn(line, stacklevel=3)


def _paths(paths: Paths) -> list[Path]:
    return [Path(paths)] if isinstance(paths, str | Path) else [Path(path) for path in paths]
