"""The sections of a report: their order, that none is forgotten, and what stands in them."""

from __future__ import annotations

import inspect
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

import pytest

from rig import review
from rig.analysis.answers import Change, Comparison, EfficiencyChange, Ratio, Verdict
from rig.report import sections, variant
from rig.report.document import Answer, Table
from rig.report.drawings import percents
from rig.report.markdown import as_markdown
from rig.report.sections import comparison_blocks
from rig.report.variant import budget
from tests.report.captures import SAMPLES

UNKNOWN = Ratio(None, None)


def comparison(*changes: Change) -> Comparison:
    verdict = Verdict("faster", "")
    return Comparison("a", "b", changes, UNKNOWN, UNKNOWN, EfficiencyChange(), verdict, ())


def test_the_terminal_has_the_order_of_the_files_and_no_section_of_its_own(tmp_path: Path) -> None:
    brief = list(comparison_blocks(review.compare([SAMPLES], "late")))
    assert isinstance(brief[0], Answer)
    made = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)
    file = review.report([SAMPLES], "late", tmp_path / "report.md", made).read_text("utf-8")
    heads = [line for line in file.splitlines() if line.startswith("#")]
    titles = [line for line in as_markdown(brief).splitlines() if line.startswith("#")]
    assert {"## Drift", "## Warnings", "### What it cost"} <= set(titles)
    assert titles == [line for line in heads if line in titles]


def test_the_first_figure_names_an_efficiency_that_was_measured() -> None:
    """A quantity without a unit had no name."""
    change = Change("efficiency", 0.7, 0.71, None, None, (1, 1), change=1.4)
    assert list(percents(comparison(change))) == [("Efficiency", 1.4, None)]


@pytest.mark.parametrize("module", [sections, variant])
def test_no_section_is_forgotten(module: ModuleType) -> None:
    order = inspect.getsource(comparison_blocks)
    for name, function in inspect.getmembers(module, inspect.isfunction):
        if inspect.signature(function).return_annotation == "Iterator[Block]":
            assert name == "comparison_blocks" or f"yield from {name}(" in order


def test_a_budget_names_the_largest_part_and_its_share() -> None:
    """Shares of the variance: 0.3^2 of 0.3^2 + 0.4^2 is 36 %."""
    sources = {"shunt": 0.24, "air": 0.18}
    change = Change("current_a", 20.0, 21.0, 0.1, 0.1, (3, 3), change=5.0, scatter=0.4,
                    known=0.3, sources=sources)  # fmt: skip
    _, table = budget(comparison(change))
    assert isinstance(table, Table)
    assert table.rows == (("Current, A", "0.40 %", "0.30 %", "36 %", "shunt"),)
