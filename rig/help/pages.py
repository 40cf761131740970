"""The pages of `rig help`, made from the code that they describe."""

from __future__ import annotations

import inspect
from collections.abc import Callable

import rig
from rig.help.stand import stand_page


def made() -> dict[str, str]:
    """Each topic's page, as it stands in the code now."""
    return {"stand": stand_page(), "functions": functions_page()}


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
