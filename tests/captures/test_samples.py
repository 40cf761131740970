"""The sample captures are readable and say what the simulator's truth demands."""

from pathlib import Path

from rig.captures.convert import convert
from rig.captures.listing import list_captures
from rig.review import compare

SAMPLES = Path(__file__).parents[2] / "sample_captures"


def test_the_samples_are_as_their_readme_says(tmp_path: Path) -> None:
    rows = list_captures(SAMPLES)
    done = [row.setup for row in rows if row.outcome == "done"]
    assert (done.count("early"), done.count("late")) == (5, 5)
    assert [row.setup for row in rows if row.outcome == "tripped"] == ["trip"]
    (journal,) = SAMPLES.glob("*.journal")
    assert not journal.read_bytes().endswith(b"\n")
    assert convert(journal, tmp_path / "salvaged.parquet").exists()
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 3_000_000


def test_more_timing_gives_speed_and_costs_current() -> None:
    """The field is weakened by 0.17 % a degree: over 15 degrees, less what the load takes."""
    changes = {c.quantity: c.change or 0.0 for c in compare([SAMPLES], "late").variants[0].changes}
    assert 1.0 < changes["speed_rpm"] < 3.3
    assert changes["current_a"] > 3.0 * changes["speed_rpm"]
