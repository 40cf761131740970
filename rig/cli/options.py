"""Options and arguments that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
Out = Annotated[Path | None, typer.Option("--out", help="Where to write.", show_default=False)]
StandFile = Annotated[
    Path | None, typer.Option("--stand", help="The stand's settings, stand.toml.")
]
Port = Annotated[str | None, typer.Option(help="The board's port; see `rig ports`.")]
With = Annotated[
    list[str] | None,
    typer.Option(
        "--with", help="KEY=VALUE, kept in the capture, such as pack=P1.", show_default=False
    ),
]
Captures = Annotated[
    list[Path], typer.Argument(help="Captures, or folders of them.", metavar="CAPTURES")
]
AtStep = Annotated[
    float | None,
    typer.Option(
        "--step",
        help="Use each run's throttle step of so many percent. [default: its last step]",
        min=0.0,
        max=100.0,
        show_default=False,
    ),
]
RpmPerVolt = Annotated[
    float | None,
    typer.Option(help="The motor's own rpm per volt, for estimates of other changes.", min=1.0),
]
