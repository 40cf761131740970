"""Captures looked at, corrected, exported and salvaged."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import AsJson, AtStep, StandFile, With
from rig.cli.output import print_json, print_path
from rig.errors import SettingsError
from rig.text import plain


def runs(
    folder: Annotated[Path, typer.Argument(help="A folder of captures.", metavar="DIR")],
    step: AtStep = None,
    as_json: AsJson = False,
) -> None:
    """List the runs in a folder, and journals to salvage."""
    from rig import review
    from rig.report.runs import print_runs

    listed = review.runs(folder, step)
    if as_json:
        print_json(review.runs_data(listed))
    elif not listed:
        print(plain(f"No run is in {folder}."))
    else:
        print_runs(listed, step)


def show(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE")],
    step: AtStep = None,
    as_json: AsJson = False,
) -> None:
    """Show one run: figures, events, a small plot."""
    from rig import review

    shown = review.show(capture, step)
    if as_json:
        print_json(shown.as_dict())
    else:
        shown.print()


def export(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE")],
    out: Annotated[Path, typer.Argument(help="A file that ends in .csv or .xlsx.")],
    as_json: AsJson = False,
) -> None:
    """Write a capture as CSV or Excel, units in the header."""
    from rig.captures.export import export_csv, export_excel

    writers = {".csv": export_csv, ".xlsx": export_excel}
    writer = writers.get(out.suffix.lower())
    if writer is None:
        raise SettingsError(
            f"cannot write {out.suffix or 'a file without an ending'}",
            where=str(out),
            to_do="Choose a name that ends in .csv or .xlsx.",
        )
    written = writer(capture, out)
    print_path(written, as_json)


def salvage(
    journal: Annotated[Path, typer.Argument(help="A journal, or a log of a board's lines.")],
    stand: StandFile = None,
    setup: Annotated[str | None, typer.Option(help="For a plain log: what was tried.")] = None,
    as_json: AsJson = False,
) -> None:
    """Make captures of what a crash left, or of a log.

    A log is what a serial terminal took of a board; it needs --stand. The journal stays
    where it is.
    """
    from rig.salvage import salvage

    salvaged = salvage(journal, stand, setup)
    if as_json:
        print_json(salvaged.as_dict())
    else:
        print(plain(salvaged.sentence()))


def amend(
    captures: Annotated[list[Path], typer.Argument(metavar="CAPTURE...")],
    setup: Annotated[str | None, typer.Option(help="The right name of the setup.")] = None,
    notes: Annotated[str | None, typer.Option(help="The right notes.")] = None,
    pairs: With = None,
    as_json: AsJson = False,
) -> None:
    """Correct the setup, notes or pairs of captures.

    The old words are kept, and all data.

    `--with KEY=` removes a pair.
    """
    from rig import review

    amended = review.amend(captures, setup, notes, pairs or [], datetime.now(UTC))
    if as_json:
        print_json([{"capture": str(path), "amended": changes} for path, changes in amended])
        return
    for path, changes in amended:
        print(plain(f"{'amended' if changes else 'as it was'}: {path}"))
