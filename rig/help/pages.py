"""The pages of `rig help`, made from the code that they describe."""

from __future__ import annotations

import inspect
from collections.abc import Callable

import rig
from rig.help.stand import stand_page
from rig.recorder.outcomes import EXIT_CODES, OUTCOMES
from rig.stand.causes import CAUSES

_ALARMS = """\
# Alarms

An alarm warns or trips. A warning is shown and kept in the capture; the run goes on. A trip stops
the motor at once, is kept until the next run, and ends the run as `tripped` (`stale`: `link lost`).
Each alarm has a quantity and a cause. Limits are keys of stand.toml: see `rig help stand`.

These stops are software. They do not replace a switch in the supply that a hand can reach."""

_OUTCOMES = """\
# Outcomes of a run

A run ends with an outcome, a cause in one sentence, and an exit code. The capture keeps all three;
`rig run --json` prints them."""


def made() -> dict[str, str]:
    """Each topic's page, as it stands in the code now."""
    return {
        "stand": stand_page(),
        "alarms": alarms_page(),
        "outcomes": outcomes_page(),
        "functions": functions_page(),
    }


def alarms_page() -> str:
    """Every cause of an alarm."""
    parts = [_ALARMS]
    for cause in CAUSES:
        parts += [f"## {cause.name} ({cause.about})", f"{cause.when} The alarm {cause.does}."]
        parts.append(f"Look at: {cause.look_at}")
    return "\n\n".join(parts) + "\n"


def outcomes_page() -> str:
    """Every outcome of a run, and the exit codes."""
    codes = [f"| {code} | {means} |" for code, means in EXIT_CODES.items()]
    parts = [_OUTCOMES, "\n".join(["| exit code | means |", "|---|---|", *codes])]
    for name, (exit_codes, means, to_do) in OUTCOMES.items():
        ends = f"exit code {', '.join(map(str, exit_codes))}" if exit_codes else "files only"
        parts += [f"## {name} ({ends})", f"{means} {to_do}".rstrip()]
    return "\n\n".join(parts) + "\n"


def functions_page() -> str:
    """The public functions: their signatures and docstrings."""
    parts = ["# Functions for a notebook", "`import rig` gives:"]
    for name in rig.__all__:
        function: Callable[..., object] = getattr(rig, name)
        parts += [f"## rig.{name}", f"    {name}{_signature(function)}"]
        parts.append(inspect.getdoc(function) or "")
    return "\n\n".join(parts) + "\n"


def _signature(function: Callable[..., object]) -> str:
    """One parameter per line where they are many."""
    plain = str(inspect.signature(function)).replace("'", "")
    return plain if len(plain) < 80 else plain.replace(", ", ",\n        ")
