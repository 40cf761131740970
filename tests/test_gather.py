"""Captures of one stand whose settings were changed between them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from rig import review
from rig.captures.capture import META_KEY, read_meta
from rig.captures.convert import recalibrate
from rig.captures.dataset import find_captures
from rig.gather import gather, gather_once
from rig.stand.model import PositiveParameter, Shunt, Stand
from rig.stand.settings import stand_from_dict

SAMPLE = next((Path(__file__).parents[1] / "sample_captures").glob("*_early_01.parquet"))


@pytest.fixture
def sampled() -> Stand:
    return stand_from_dict(read_meta(SAMPLE).stand)


def test_other_limits_are_no_other_calibration(sampled: Stand, tmp_path: Path) -> None:
    levels = dict(sampled.limits.levels)
    levels["motor"] = replace(levels["motor"], warn_over=84.0)
    other = replace(
        sampled, port="COM9", limits=replace(sampled.limits, levels=tuple(levels.items()))
    )
    first, second = gather([SAMPLE, recalibrate(SAMPLE, other, tmp_path / "b.parquet")])
    assert first.stand is second.stand
    assert first.limits is not None and second.limits is not None
    assert second.limits.level("motor") == levels["motor"]
    assert first.limits.level("motor") != levels["motor"]
    assert first.cells == 6


def test_another_shunt_leaves_all_but_the_current_as_it_was(sampled: Stand, tmp_path: Path) -> None:
    current, *rest = sampled.channels
    assert isinstance(current.sensor, Shunt)
    shunt = replace(current.sensor, shunt_ohm=PositiveParameter(0.00076, 4e-7))
    other = replace(sampled, channels=(replace(current, sensor=shunt), *rest))
    first, second = gather([SAMPLE, recalibrate(SAMPLE, other, tmp_path / "b.parquet")])
    assert first.stand is not second.stand
    before, after = first.measured, second.measured
    speed = after["speed_rpm"] / before["speed_rpm"]
    assert speed.std_dev < 1e-9
    amps = after["current_a"] / before["current_a"]
    # The shunts' own 0.14 and 0.05 %, and a little for the converter and its reference.
    assert 0.0015 < amps.std_dev / amps.nominal_value < 0.0021


def described(source: Path, path: Path, **changes: object) -> Path:
    """A copy of a capture whose description says something else."""
    table, known = pq.read_table(source), pq.read_metadata(source).metadata
    content = json.loads(known[META_KEY]) | changes
    with pq.ParquetWriter(path, table.schema) as writer:
        writer.write_table(table)
        writer.add_key_value_metadata({**known, META_KEY: json.dumps(content).encode()})
    return path


def test_runs_of_one_boot_keep_their_order_when_the_clock_is_set_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    late = SAMPLE.with_name("20261125T144458_late_01.parquet")
    folder = tmp_path / "day"
    folder.mkdir()
    before = described(
        SAMPLE, folder / "b.parquet",
        host={"boot": "one", "boot_s": 100.0, "wall_s": 9000.0},
    )  # fmt: skip
    after = described(
        late, folder / "a.parquet", utc="2026-11-25T13:44:58.000+00:00",
        host={"boot": "one", "boot_s": 108.0, "wall_s": 5408.0},
    )  # fmt: skip
    gathered = gather_once(find_captures([folder]))
    assert list(gathered.runs) == [before, after]
    assert [run.name for run in gather([after, before])] == ["b.parquet", "a.parquet"]
    began_s = [run.began_s for run in gathered.runs.values()]
    assert began_s[1] - began_s[0] == pytest.approx(8.0, abs=2.0)
    assert gathered.left_out == ()
    (line,) = gathered.clock
    assert "-3600 s" in line
    assert line in review.compare([folder], "late").warnings
    assert gathered.runs[before].identity == gather([SAMPLE])[0].identity


@pytest.mark.parametrize("host", [{}, {"boot": 3}, {"boot": "x", "boot_s": True, "wall_s": 1.0}])
def test_a_host_that_says_nothing_of_its_clock_changes_nothing(
    host: dict[str, object], tmp_path: Path
) -> None:
    copy = described(SAMPLE, tmp_path / "a.parquet", host=host)
    assert read_meta(copy).clock == ("", None)
    assert gather([copy])[0].began_s == gather([SAMPLE])[0].began_s
