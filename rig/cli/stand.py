"""The stand's settings: looked up, and applied to captures anew."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import AsJson, Captures, StandFile
from rig.cli.output import print_json, print_markdown
from rig.text import plain


def recalibrate(
    paths: Captures,
    stand: StandFile = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="A folder; for one capture also a .parquet file. [default: recalibrated/ "
            "in the capture's folder or in the folder named]",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compute captures anew with a newer stand.toml."""
    from rig.captures.recalibration import recalibrate_all
    from rig.plans import find_stand
    from rig.stand.settings import load_stand

    made = datetime.now(UTC).isoformat(timespec="milliseconds")
    done = recalibrate_all(paths, load_stand(find_stand(stand)), made, out)
    if as_json:
        print_json({"written": list(map(str, done.written)), "left_out": list(done.left_out)})
        return
    for path in done.written:
        print(plain(f"written: {path}"))
    for line in done.left_out:
        print(plain(line))


def help_page(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", show_default=False)] = None,
) -> None:
    """Show a reference page, such as the keys of stand.toml."""
    from rig import help as pages

    if topic is None:
        for name, what in pages.TOPICS.items():
            typer.echo(f"rig help {name:<10} {what}")
    else:
        print_markdown(pages.page(topic))
