"""The version of this program. The distribution has a name of its own: `rig` was taken."""

from __future__ import annotations

from importlib.metadata import version as _installed

DISTRIBUTION = "marram-rig"


def version() -> str:
    """Such as 0.2.0."""
    return _installed(DISTRIBUTION)
