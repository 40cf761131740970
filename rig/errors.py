"""One funnel for every error a user can cause.

Each error says what happened, where, and what to do, and carries the exit code of the
command that meets it. `rig.cli.main` prints it; nothing else does. This file imports
nothing, so every other room may use it.
"""

from __future__ import annotations

DONE = 0
USAGE = 2
STOPPED = 3
LINK_LOST = 4
DISK_REFUSED = 5


class RigError(Exception):
    """Something a user can cause and can mend.

    `what` happened, `where` it happened (a file, a key, a port), and what `to_do` about it.
    """

    exit_code = USAGE

    def __init__(self, what: str, *, where: str = "", to_do: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.to_do = to_do

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f"\n  {self.to_do}" if self.to_do else ""
        return f"{place}{self.what}{advice}"


class SettingsError(RigError):
    """A settings file or an option that cannot be used as it stands."""


class InputFileError(RigError):
    """A capture, journal or log that cannot be read."""


class LinkError(RigError):
    """The board did not answer, or stopped answering."""

    exit_code = LINK_LOST


class DiskError(RigError):
    """The disk refused to take what we had to write."""

    exit_code = DISK_REFUSED
