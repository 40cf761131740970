"""The commands in the order in which `rig --help` shows them: grouped by what they are for."""

from __future__ import annotations

from typing import Any

from typer.core import TyperGroup

JOBS = {
    "Run": ("run", "check", "demo", "limits"),
    "Look": ("runs", "show", "export", "amend", "salvage"),
    "Compare": ("compare", "report"),
    "Stand": ("recalibrate", "help"),
    "Board": ("ports", "simulate", "firmware", "verify-board"),
}


class ByJob(TyperGroup):
    """The group of commands, with a heading for each job."""

    def list_commands(self, ctx: Any) -> list[str]:
        """In the order of the jobs; a command that no job names comes last."""
        there = super().list_commands(ctx)
        known = [name for names in JOBS.values() for name in names if name in there]
        return known + [name for name in there if name not in known]

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """One section per job."""
        for job, names in JOBS.items():
            commands = [(name, self.get_command(ctx, name)) for name in names]
            there = [(name, command) for name, command in commands if command is not None]
            width = formatter.width - 6 - max(map(len, self.commands))
            with formatter.section(job):
                formatter.write_dl(
                    [(name, command.get_short_help_str(width)) for name, command in there],
                    col_max=max(map(len, self.commands)) + 2,
                )
