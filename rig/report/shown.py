"""One run as `rig show` shows it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rig.analysis.runs import Run
from rig.analysis.steps import over_steps, step_words
from rig.captures.capture import Capture, Meta
from rig.errors import RigError
from rig.report.data import json_ready, known, step_data
from rig.report.document import Block, Column, Paragraph, Table
from rig.report.runs import description_lines
from rig.report.small_plot import print_curves, print_plot
from rig.report.terminal import print_blocks
from rig.report.words import number, quantity_name, rising_mark, with_expanded
from rig.stand.quantities import label_of, unit_of
from rig.stand.reference import moved_words, ratio_of
from rig.stand.sampler import REFERENCE_COUNT
from rig.stand.settings import stand_from_dict
from rig.text import one_line

_OF_A_STEP = ("current_a", "voltage_v", "power_w", "speed_rpm")


@dataclass(frozen=True, slots=True)
class Shown:
    """One run, ready to be printed."""

    capture: Capture
    run: Run
    """At the step that is shown; `run.steps` has all."""

    @property
    def figures(self) -> dict[str, float]:
        """Means and the window that they are of, as `run_figures` gives them; maybe empty."""
        if not self.run.figures:
            return {}
        from_s, to_s = self.run.window_s
        window = {"hold_from_s": self.run.hold_from_s, "steady_from_s": from_s, "steady_to_s": to_s}
        return {**window, **self.run.figures}

    @property
    def uncertainty(self) -> dict[str, float]:
        """Standard uncertainties: of the mean, autocorrelation allowed for, with the stand's."""
        measured = self.run.measured
        return {
            quantity: math.hypot(error, getattr(measured.get(quantity), "std_dev", 0.0))
            for quantity, error in self.run.errors.items()
        }

    @property
    def hold_from_s(self) -> float | None:
        """Where the step's hold begins on the capture's time scale: the zero of all times."""
        return known(self.run.hold_from_s)

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "figures": json_ready(self.figures),
            "uncertainty": json_ready(self.uncertainty),
            "step": self.run.step,
            "steps": [step_data(step) for step in self.run.steps],
            "still_rising": list(self.run.still_rising),
            "hold_from_s": self.hold_from_s,
            **self.capture.meta.as_dict(),
        }

    def print(self) -> None:
        """The blocks, and the plots."""
        print_blocks(self.blocks())
        print_plot(self.capture.frame, self.hold_from_s, self._since)
        print_curves(over_steps(self.run))

    def blocks(self) -> Iterator[Block]:
        """How it ended, its description, steps, figures, and what happened."""
        meta, run = self.capture.meta, self.run
        yield Paragraph(f"{meta.setup}, run {meta.run}: {meta.outcome}, {meta.cause}")
        yield from map(Paragraph, description_lines(meta))
        if len(run.steps) > 1:
            yield from _steps(run)
            yield Paragraph(f"{'figures' if run.figures else 'no figures'} {step_words([run])}")
        if run.figures or len(run.steps) == 1:
            yield from figure_blocks(self.figures, self.uncertainty, run.still_rising)
        if words := _reference_words(meta, run.figures):
            yield Paragraph(words)
        events = meta.events_from(self.hold_from_s or 0.0)
        if events:
            since = "the recording" if self.hold_from_s is None else self._since
            yield _events(events, f"times from the start of {since}")

    @property
    def _since(self) -> str:
        """The hold that times count from."""
        return "the last hold" if self.run.step == len(self.run.steps) else "the step's hold"


def _reference_words(meta: Meta, figures: Mapping[str, float]) -> str:
    """Where the converter's reference was in this run, if that is worth a word."""
    try:
        stand = stand_from_dict(meta.stand)
    except RigError:
        return ""
    return moved_words(stand, ratio_of(stand.reference, figures.get(REFERENCE_COUNT)))


def figure_blocks(
    figures: Mapping[str, float],
    uncertainty: Mapping[str, float],
    still_rising: Sequence[str] = (),
) -> Iterator[Block]:
    """The figures of one run, with their expanded uncertainty (k = 2) where it is known."""
    if not figures:
        yield Paragraph("This run has no steady part, and so no figures.")
        return
    rows = [
        (
            quantity_name(column) + rising_mark(column, still_rising),
            *with_expanded(value, uncertainty.get(column), column),
        )
        for column, value in figures.items()
        if not column.startswith(("steady_", "hold_"))
    ]
    yield Table(
        (Column("quantity"), Column("mean", "number"), Column("+- U")),
        tuple(rows),
        f"steady from {figures['steady_from_s']:.1f} s to {figures['steady_to_s']:.1f} s after the "
        "start of the hold; +- is the expanded uncertainty (k = 2)",
    )


def _steps(run: Run) -> Iterator[Block]:
    """A row per throttle step, and why a step has no figures."""
    shown = [q for q in _OF_A_STEP if any(q in step.figures for step in run.steps)]
    rows = [
        (
            str(step.number),
            f"{step.throttle_pct:g} %",
            "{:.1f} s to {:.1f} s".format(*step.window_s) if step.figures else "-",
            *(number(step.figures.get(quantity), quantity) for quantity in shown),
        )
        for step in run.steps
    ]
    yield Table(
        (
            Column("step", "number"),
            Column("throttle", "number"),
            Column("steady"),
            *(Column(label_of(quantity), "number", unit_of(quantity)) for quantity in shown),
        ),
        tuple(rows),
        "each throttle step; times from the start of its own hold",
    )
    for step in run.steps:
        if step.why:
            yield Paragraph(f"step {step.number}: {step.why}")


def _events(events: Sequence[tuple[float | None, str]], title: str) -> Table:
    """Alarms and marks, and when they came."""
    rows = [
        ("-" if time_s is None else f"{time_s:.2f} s", one_line(text)) for time_s, text in events
    ]
    return Table((Column("at", "number"), Column("alarm or mark")), tuple(rows), title)
