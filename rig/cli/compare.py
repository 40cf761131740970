"""`rig compare` and `rig report`: the same question, on the terminal or in a file."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import AsJson, AtStep, Captures, RpmPerVolt
from rig.cli.output import print_json, print_path

Baseline = Annotated[str, typer.Option(help="The setup the others are compared with.")]
Worth = Annotated[
    float | None,
    typer.Option(
        help="The smallest gain of speed worth having, in percent. Without it nothing is called "
        "worth it.",
        min=0.0,
        show_default=False,
    ),
]
Cost = Annotated[
    list[str] | None,
    typer.Option(
        help="The most it may cost: current=5%, power=5%, efficiency=1% (a loss) or motor=10K "
        "(a rise of temperature).",
        show_default=False,
    ),
]
ExponentU = Annotated[
    float | None,
    typer.Option(
        help="Standard uncertainty of this rotor's exponent of power over speed, if it is known "
        "better than that of propellers in general.",
        min=0.0,
        max=1.0,
        show_default=False,
    ),
]
Air = Annotated[
    list[str] | None,
    typer.Option(help="A setup's air: SETUP=DEGC,HPA or SETUP=DEGC,HPA,HUMIDITY in percent."),
]
OtherRotor = Annotated[
    bool,
    typer.Option(
        "--other-rotor", help="The fan or propeller was changed too, or the load is none."
    ),
]
Teeth = Annotated[
    str | None, typer.Option(help="PINION/SPUR, where the motor drives through a gear.")
]
Window = Annotated[
    str | None,
    typer.Option(
        help="Take FROM:TO, in seconds from the start of the throttle hold, "
        "as each run's steady part."
    ),
]
Use = Annotated[
    str | None,
    typer.Option(
        help="Share of time at each throttle step (percent) or speed (rpm): 30:20,60:70,90:10. "
        "Gives the change in energy, for runs with several steps.",
        show_default=False,
    ),
]


def compare(
    paths: Captures,
    baseline: Baseline,
    worth: Worth = None,
    cost: Cost = None,
    air: Air = None,
    other_rotor: OtherRotor = False,
    exponent_u: ExponentU = None,
    rpm_per_volt: RpmPerVolt = None,
    teeth: Teeth = None,
    window: Window = None,
    step: AtStep = None,
    use: Use = None,
    as_json: AsJson = False,
) -> None:
    """Compare setups: what changed, how surely, at what cost."""
    from rig import review
    from rig.report.data import as_data

    question = review.question(
        worth, air or [], other_rotor, rpm_per_volt, teeth,
        cost=cost or (), exponent_u=exponent_u, use=use,
    )  # fmt: skip
    comparisons = review.compare(paths, baseline, question, review.window(window), step)
    if as_json:
        print_json(as_data(comparisons))
        return
    from rig.report.sections import comparison_blocks
    from rig.report.terminal import print_blocks

    print_blocks(comparison_blocks(comparisons))


def report(
    paths: Captures,
    baseline: Baseline,
    worth: Worth = None,
    cost: Cost = None,
    air: Air = None,
    other_rotor: OtherRotor = False,
    exponent_u: ExponentU = None,
    rpm_per_volt: RpmPerVolt = None,
    teeth: Teeth = None,
    window: Window = None,
    step: AtStep = None,
    use: Use = None,
    out: Annotated[
        Path, typer.Option("--out", help="A file that ends in .html, .md or .json.")
    ] = Path("report.html"),
    as_json: AsJson = False,
) -> None:
    """Write a comparison to a file: HTML, Markdown or JSON."""
    from rig import review

    question = review.question(
        worth, air or [], other_rotor, rpm_per_volt, teeth,
        cost=cost or (), exponent_u=exponent_u, use=use,
    )  # fmt: skip
    made = datetime.now(UTC)
    written = review.report(paths, baseline, out, made, question, review.window(window), step)
    print_path(written, as_json)
