"""Logger and judge for a home-built motor test stand.

For a notebook: `rig.load(path)` gives a capture. It is imported when first asked for, so that
`rig --help` and the recorder do not wait for pandas.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.captures.capture import load

__all__ = ["load"]


def __getattr__(name: str) -> Any:
    if name == "load":
        from rig.captures.capture import load

        return load
    raise AttributeError(f"module 'rig' has no attribute {name!r}")
