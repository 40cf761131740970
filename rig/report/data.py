"""Comparisons as plain data, for --json and for whoever reads it.

Made from the comparison, not from blocks: these are numbers, not rounded, and their keys are a
public form that does not change with the layout of a report.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from rig.analysis.answers import Change, Comparison, Comparisons, EfficiencyChange, Ratio
from rig.analysis.curves.answers import Band, CurveComparison, Overall
from rig.analysis.runs import Run, Step
from rig.report.content import Report


def as_data(comparisons: Comparisons) -> dict[str, Any]:
    """Fit for JSON: what is not known is null, intervals are pairs."""
    return {
        "baseline": comparisons.baseline,
        "variants": {item.variant: _comparison(item) for item in comparisons.variants},
        "drift_pct": {
            quantity: {"value": value, "ci95": list(interval)}
            for quantity, (value, interval) in comparisons.drift_pct.items()
        },
        "trends": {
            found.quantity: {
                "per_unit_pct": found.per_unit_pct,
                "ci95_pct": _pair(found.ci95_pct),
                "lack_of_fit_p": known(found.lack_of_fit_p),
            }
            for found in comparisons.trends
        },
        "warnings": list(comparisons.warnings),
        "noted": [_noted(run) for run in comparisons.runs],
        "steps": [_steps(run) for run in comparisons.runs],
    }


def _steps(run: Run) -> dict[str, Any]:
    """All steps of a run; `compared` is the number of the one that the comparison uses."""
    return {
        "capture": run.name,
        "setup": run.setup,
        "compared": run.step,
        "steps": [step_data(step) for step in run.steps],
    }


def _noted(run: Run) -> dict[str, Any]:
    """What a run is remembered by."""
    return {
        "capture": run.name,
        "setup": run.setup,
        "outcome": run.outcome,
        "cause": run.cause,
        "notes": run.notes,
        "pairs": dict(run.pairs),
        "events": [list(event) for event in run.events],
    }


def step_data(step: Step) -> dict[str, Any]:
    """One step of a run; `steady_s` counts from the start of its throttle hold."""
    return {
        "step": step.number,
        "throttle_pct": known(step.throttle_pct),
        "hold_from_s": known(step.hold_from_s),
        "steady_s": [known(edge) for edge in step.window_s],
        "figures": json_ready(step.figures),
        "why": step.why,
    }


def report_data(report: Report) -> dict[str, Any]:
    """A whole report fit for JSON: `as_data`, the captures, and the figures of each run."""
    return {
        "program": report.program,
        "made": report.made.isoformat(),
        **as_data(report.comparisons),
        "runs": [
            {
                "capture": capture.name,
                "setup": capture.run.setup,
                "outcome": capture.run.outcome,
                "seconds": known(capture.seconds),
                "sha256": capture.sha256,
                "began_s": known(capture.run.began_s),
                "steady_s": [known(edge) for edge in capture.run.window_s],
                "hold_from_s": known(capture.run.hold_from_s),
                "figures": json_ready(capture.run.figures),
            }
            for capture in report.captures
        ],
    }


def _comparison(item: Comparison) -> dict[str, Any]:
    return {
        "changes": {change.quantity: _change(change) for change in item.changes},
        "current_per_speed": _ratio(item.current_per_speed),
        "power_per_speed": _ratio(item.power_per_speed),
        "efficiency_change_pct": _efficiency(item.efficiency),
        "verdict": item.verdict.word,
        "verdict_sentence": item.verdict.sentence,
        "order": item.order,
        "step": item.step,
        "at_equal_speed": _at_equal_speed(item.at_equal_speed),
        "not_the_change": [
            {
                "name": found.name,
                "text": found.text,
                "speed_pct": known(found.speed_pct),
                "u": json_ready(found.effects),
            }
            for found in item.conditions
        ],
        "vehicle_speed": item.vehicle_speed,
        "alternatives": [
            {
                "name": found.name,
                "speed_pct": list(found.speed_pct),
                "current_pct": list(found.current_pct),
                "power_pct": list(found.power_pct),
                "thrust_pct": list(found.thrust_pct),
                "exceeds": list(found.exceeds),
            }
            for found in item.alternatives
        ],
        "warnings": [found.text for found in item.conditions if found.speed_pct is None],
    }


def _at_equal_speed(found: CurveComparison | None) -> dict[str, Any] | None:
    """Curves over `speed_rpm`: estimates, with intervals at one speed and bands at all."""
    if found is None:
        return None
    told: dict[str, Any] = {
        "used": list(found.used),
        "reasons": [remark.text for remark in found.reasons],
        "cautions": [remark.text for remark in found.cautions],
        "offered_throttle_pct": list(found.offered_throttle_pct),
    }
    curves = found.curves
    if curves is None:
        return told
    bands = ("power_pct", "current_pct", "less_current_a", "faster_pct", "efficiency_pct",
             "less_heat_w")  # fmt: skip
    return told | {
        "speed_rpm": curves.speed_rpm.tolist(),
        **{name: _band(getattr(curves, name)) for name in bands},
        "withheld": curves.withheld,
        "same_rpm": [list(pair) for pair in curves.same_rpm],
        "crosses_rpm": list(curves.crosses_rpm),
        "over_range": _overall(curves.over_range),
        "over_use": _overall(curves.over_use),
    }


def _band(band: Band | None) -> dict[str, list[float | None]] | None:
    if band is None:
        return None
    return {
        item.name: [known(value) for value in getattr(band, item.name).tolist()]
        for item in fields(band)
    }


def _overall(found: Overall | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "power_pct": known(found.power_pct),
        "ci95_pct": _pair(found.power_ci95),
        "detectable_pct": found.detectable_pct,
    }


def _change(change: Change) -> dict[str, Any]:
    """The unit of a change is in the names of its keys."""
    unit = {"%": "pct", "K": "k"}[change.unit]
    return {
        "baseline": known(change.baseline),
        "variant": known(change.variant),
        "baseline_spread": change.baseline_spread,
        "variant_spread": change.variant_spread,
        f"change_{unit}": change.change,
        f"ci95_{unit}": _pair(change.ci95),
        "rise_pct": change.rise_pct,
        "note": change.note,
        "runs": list(change.runs),
        f"scatter_{unit}": change.scatter,
        f"known_{unit}": change.known,
        f"sources_{unit}": dict(change.sources),
        f"detectable_{unit}": change.detectable,
        "why": change.why,
    }


def _ratio(ratio: Ratio) -> dict[str, Any]:
    return {"value": ratio.value, "ci95": _pair(ratio.ci95), "why": ratio.why}


def _efficiency(change: EfficiencyChange) -> dict[str, Any]:
    found: dict[str, Any] = {"assumptions": list(change.assumptions)}
    if change.withheld:
        found["withheld"] = change.withheld
    else:
        found |= {"value": change.value, "ci95": _pair(change.ci95)}
    if change.measured_pct is not None:
        found |= {"measured": change.measured_pct, "measured_ci95": _pair(change.measured_ci95)}
    return found


def _pair(interval: tuple[float, float] | None) -> list[float] | None:
    return None if interval is None else list(interval)


def known(value: float | None) -> float | None:
    """`value`, or None where it is no number."""
    return value if value is not None and math.isfinite(value) else None


def json_ready(figures: Mapping[str, float]) -> dict[str, float | None]:
    """`figures` with null for what is not known: NaN has no place in JSON."""
    return {key: known(value) for key, value in figures.items()}
