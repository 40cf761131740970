"""Logger and judge for a home-built motor test stand.

For a notebook: `rig.load(path)` gives a capture, `rig.figures(paths)` a row per run,
`rig.compare(paths, baseline)` what changed. Each is imported when first asked for, so that
`rig --help` and the recorder do not wait for pandas.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.captures.capture import load
    from rig.notebook import compare, figures

__all__ = ["compare", "figures", "load"]

_ROOMS = {"compare": "rig.notebook", "figures": "rig.notebook", "load": "rig.captures.capture"}


def __getattr__(name: str) -> Any:
    if name in _ROOMS:
        return getattr(import_module(_ROOMS[name]), name)
    raise AttributeError(f"module 'rig' has no attribute {name!r}")
