"""One run as `rig show` shows it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rig.captures.capture import Capture, Meta
from rig.errors import RigError
from rig.report.data import json_ready
from rig.report.document import Block, Column, Paragraph, Table
from rig.report.runs import description_lines
from rig.report.small_plot import print_plot
from rig.report.terminal import print_blocks
from rig.report.words import number, quantity_name, rising_mark, with_expanded
from rig.stand.quantities import label_of, unit_of
from rig.stand.reference import moved_words, ratio_of
from rig.stand.sampler import REFERENCE_COUNT
from rig.stand.settings import stand_from_dict
from rig.text import one_line


@dataclass(frozen=True, slots=True)
class Shown:
    """One run, ready to be printed."""

    capture: Capture
    figures: dict[str, float]
    uncertainty: dict[str, float]
    """Standard uncertainties: of the mean, autocorrelation allowed for, with the stand's own."""
    holds: list[dict[str, float]]
    """Each throttle hold's `throttle_pct`, steady window and means."""
    hold_from_s: float | None
    """Where the last hold begins on the capture's time scale: the zero of all that is shown."""
    still_rising: tuple[str, ...] = ()
    """The temperatures that still rose when the recording ended."""

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "figures": json_ready(self.figures),
            "uncertainty": json_ready(self.uncertainty),
            "holds": [json_ready(hold) for hold in self.holds],
            "still_rising": list(self.still_rising),
            "hold_from_s": self.hold_from_s,
            **self.capture.meta.as_dict(),
        }

    def print(self) -> None:
        """The blocks, and a plot."""
        print_blocks(self.blocks())
        print_plot(self.capture.frame, zero_s=self.hold_from_s)

    def blocks(self) -> Iterator[Block]:
        """How it ended, its description, figures, holds, and what happened."""
        meta = self.capture.meta
        yield Paragraph(f"{meta.setup}, run {meta.run}: {meta.outcome}, {meta.cause}")
        yield from map(Paragraph, description_lines(meta))
        yield from figure_blocks(self.figures, self.uncertainty, self.still_rising)
        if words := _reference_words(meta, self.figures):
            yield Paragraph(words)
        if len(self.holds) > 1:
            yield _holds(self.holds)
        events = meta.events_from(self.hold_from_s or 0.0)
        if events:
            since = "the last hold" if self.hold_from_s is not None else "the recording"
            yield _events(events, f"times from the start of {since}")


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
        "start of the last hold; +- is the expanded uncertainty (k = 2)",
    )


def _holds(holds: Sequence[Mapping[str, float]]) -> Table:
    """A row per throttle hold."""
    shown = [q for q in ("current_a", "voltage_v", "power_w", "speed_rpm") if q in holds[0]]
    rows = [
        (
            f"{hold['throttle_pct']:g} %",
            f"{hold['from_s']:.1f} s to {hold['to_s']:.1f} s",
            *(number(hold[quantity], quantity) for quantity in shown),
        )
        for hold in holds
    ]
    return Table(
        (
            Column("throttle", "number"),
            Column("steady"),
            *(Column(label_of(quantity), "number", unit_of(quantity)) for quantity in shown),
        ),
        tuple(rows),
        "each throttle hold; times from the start of the last",
    )


def _events(events: Sequence[tuple[float | None, str]], title: str) -> Table:
    """Alarms and marks, and when they came."""
    rows = [
        ("-" if time_s is None else f"{time_s:.2f} s", one_line(text)) for time_s, text in events
    ]
    return Table((Column("at", "number"), Column("alarm or mark")), tuple(rows), title)
