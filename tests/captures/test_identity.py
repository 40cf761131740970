"""Which captures hold the same run."""

from __future__ import annotations

import json
import shutil
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rig.captures.capture import META_KEY, Meta, read_meta
from rig.captures.convert import convert, recalibrate
from rig.captures.identity import (
    LEAST_SHARED,
    SKETCH_KEY,
    Fingerprint,
    Identity,
    grouped,
    identity_of,
)
from rig.stand.settings import demo_stand
from tests.captures import journals, runs

Ints = NDArray[np.int64]


def known(path: Path) -> Identity:
    identity = identity_of(path)
    assert identity is not None
    return identity


def same_run(one: Identity, other: Identity) -> bool:
    return len(grouped([one, other])) == 1


def of_rows(rows: Ints, boot: int = 1, began: str = "", at_once: int = 300) -> Identity:
    fingerprint = Fingerprint()
    for start in range(0, len(rows), at_once):
        part = rows[start : start + at_once]
        fingerprint.add(part[:, :4], part[:, 4:])
    return fingerprint.identity(Meta(hello=f"H,{boot}", channels=["C"], utc=began))


def simulated(
    count: int, seed: int, *, spread: int = 3, rest: int = 0, tick_noise: int = 0
) -> Ints:
    """A run after a reset: sequence and ticks always the same, `rest` rows without edges."""
    noise = np.random.default_rng(seed)
    number = np.arange(count)
    driven = np.maximum(number - rest, 0)
    tick = number * 5000 + noise.integers(0, tick_noise + 1, count)
    edge_tick = np.where(driven > 0, tick - noise.integers(0, 900, count), 0)
    counts = 4000 + noise.integers(0, spread, (count, 3))
    return np.column_stack([number, tick, driven * 3, edge_tick, np.ones(count), counts]).astype(
        np.int64
    )


def test_copies_and_recalibrated_captures_have_the_same_identity(tmp_path: Path) -> None:
    first = convert(journals.written(tmp_path / "a.journal", journals.whole_run()))
    copy = Path(shutil.copy(first, tmp_path / "another name.parquet"))
    new = recalibrate(first, demo_stand(), tmp_path / "new.parquet", "2031-01-01T00:00:00+00:00")
    assert read_meta(first).identity == known(first).digest != ""
    assert known(first) == known(copy) == known(new)


def test_setup_notes_and_run_number_are_no_part_of_it(tmp_path: Path) -> None:
    whole = journals.whole_run()
    other = [journals.begin(setup="late", notes="other words", run=9), *whole[1:]]
    paths = [
        convert(journals.written(tmp_path / f"{name}.journal", lines))
        for name, lines in (("a", whole), ("b", other))
    ]
    assert known(paths[0]) == known(paths[1])


def test_it_is_computed_for_a_capture_that_lacks_it(tmp_path: Path) -> None:
    new = recalibrate(runs.EARLY, demo_stand(), tmp_path / "new.parquet")
    assert read_meta(runs.EARLY).identity == ""
    assert SKETCH_KEY not in pq.read_metadata(runs.EARLY).metadata
    assert known(runs.EARLY) == known(new)


@pytest.mark.parametrize("sketch", [b"not base64!", b"AAA=", b"A" * 100_000, b"\xff"])
def test_a_damaged_sketch_is_computed_anew(tmp_path: Path, sketch: bytes) -> None:
    path = convert(journals.written(tmp_path / "a.journal", journals.whole_run()))
    before = known(path)
    table, notes = pq.read_table(path), dict(pq.read_metadata(path).metadata)
    notes[SKETCH_KEY] = sketch
    pq.write_table(table.replace_schema_metadata(notes), path)
    assert known(path) == before


def test_a_table_without_raw_columns_has_none(tmp_path: Path) -> None:
    table = pq.read_table(runs.EARLY, columns=["time_s", "current_a"])
    for name, meta in (("a", {}), ("b", {"channels": ["nonsense"]})):
        path = tmp_path / f"{name}.parquet"
        pq.write_table(table.replace_schema_metadata({META_KEY: json.dumps(meta).encode()}), path)
        assert identity_of(path) is None


def test_a_journal_cut_at_two_places_holds_one_run(tmp_path: Path) -> None:
    lines = journals.whole_run()
    paths = [
        convert(journals.written(tmp_path / f"{length}.journal", lines[:length]))
        for length in (120, 250)
    ]
    assert known(paths[0]).digest != known(paths[1]).digest
    assert same_run(*map(known, paths))


def test_a_terminal_log_that_began_later_holds_the_same_run(tmp_path: Path) -> None:
    # The counters of these rows wrap, so that the two captures unwrap them differently.
    journal = convert(journals.written(tmp_path / "a.journal", journals.whole_run(600)))
    rows = runs.rows_of(journal)
    late = [journals.introduction(), *map(journals.data, range(540, 600))]
    later = convert(journals.written(tmp_path / "b.log", late), stand=demo_stand())
    assert runs.rows_of(later)[0, 1] != rows[540, 1]
    assert same_run(known(journal), known(later))


def test_two_runs_with_one_boot_number_and_restarted_counters_are_two(tmp_path: Path) -> None:
    rows = runs.rows_of(runs.EARLY)
    one, other = (
        known(runs.imported(tmp_path / f"{seed}.parquet", made))
        for seed, made in enumerate(runs.others(rows, 2, seed=4))
    )
    assert one.hello == other.hello
    assert not same_run(one, other)


def test_two_runs_with_other_boot_numbers_are_two_though_all_else_is_the_same() -> None:
    rows = simulated(1000, 1)
    assert not same_run(of_rows(rows, boot=1), of_rows(rows, boot=2))


def test_two_runs_that_a_recorder_began_at_two_times_are_two() -> None:
    rows, began = simulated(1000, 1), "2031-05-04T09:00:00.000+00:00"
    one, other = of_rows(rows, began=began), of_rows(rows, began="2031-05-04T09:00:00.001+00:00")
    assert one.digest != other.digest
    assert not same_run(one, other)
    assert same_run(one, of_rows(rows))


def test_a_shared_rest_whose_counts_never_change_is_no_proof() -> None:
    # Nine tenths of both runs are the same rows to the bit: at rest, after equal resets.
    one, other = simulated(2000, 1, rest=1800, spread=1), simulated(2000, 2, rest=1800, spread=1)
    assert (one == other).all(axis=1).mean() >= 0.9
    assert not same_run(of_rows(one), of_rows(other))
    short, whole = of_rows(one[:1500]), of_rows(other)
    assert not same_run(short, whole)


def test_quiet_runs_whose_counts_flicker_by_one_are_not_the_same() -> None:
    """The worst case of the docstring, one channel of two values: 19,900 pairs, none the same."""
    several = []
    for seed in range(200):
        rows = simulated(400, seed, rest=400, spread=1)
        rows[:, 5] += np.random.default_rng(1000 + seed).integers(0, 2, 400)
        several.append(of_rows(rows))
    assert len(grouped(several)) == 200


def test_parts_that_do_not_overlap_belong_together_through_a_third() -> None:
    rows = simulated(3000, 1)
    parts = [of_rows(rows[:1200]), of_rows(rows[1700:]), of_rows(simulated(3000, 2))]
    assert grouped(parts) == [[0], [1], [2]]
    assert grouped([*parts, None, of_rows(rows[600:2400])]) == [[0, 1, 4], [2], [3]]


def test_a_hundred_cuts_of_one_run_are_one_run() -> None:
    rows = simulated(2000, 1)
    cuts = [of_rows(rows[start : start + 1000]) for start in range(0, 1000, 10)]
    assert grouped(cuts) == [list(range(100))]


def test_lost_lines_do_not_make_two_runs_of_one() -> None:
    rows, lost = simulated(3000, 1), np.random.default_rng(3)
    one, other = (of_rows(rows[lost.random(3000) > 0.05]) for _ in range(2))
    assert same_run(one, other)


def test_it_does_not_depend_on_how_the_rows_came_in() -> None:
    rows = simulated(3000, 1)
    assert asdict(of_rows(rows, at_once=7)) == asdict(of_rows(rows, at_once=3000))
    unwrapped = rows + np.array([2**16, 2**32, 2**16, 2**32, 0, 0, 0, 0])
    assert of_rows(unwrapped) == of_rows(rows)


@given(data=st.data(), seed=st.integers(0, 2**32), count=st.integers(100, 20_000))
@settings(max_examples=60, deadline=None)
def test_a_run_and_any_part_of_it_are_the_same_run(
    data: st.DataObject, seed: int, count: int
) -> None:
    # At rest each of three counts stays as it was in one row of three, so 1 row in 27 is not in
    # the sketch: twice LEAST_SHARED is more than enough.
    shortest = max(2 * LEAST_SHARED, count // 10)
    length = data.draw(st.integers(shortest, count))
    start = data.draw(st.integers(0, count - length))
    rows = simulated(count, seed, rest=data.draw(st.integers(0, count)))
    whole, part = of_rows(rows), of_rows(rows[start : start + length])
    assert same_run(whole, part)
    assert same_run(part, whole)
    assert len(grouped([part, whole])) == 1


@given(
    seeds=st.tuples(st.integers(0, 2**32), st.integers(0, 2**32)).filter(
        lambda two: two[0] != two[1]
    ),
    counts=st.tuples(st.integers(50, 3000), st.integers(50, 3000)),
    spread=st.integers(2, 40),
    rest=st.integers(0, 3000),
)
@settings(max_examples=150, deadline=None)
def test_two_runs_with_other_noise_are_never_the_same(
    seeds: tuple[int, int], counts: tuple[int, int], spread: int, rest: int
) -> None:
    one, other = (
        of_rows(simulated(count, seed, spread=spread, rest=rest))
        for count, seed in zip(counts, seeds, strict=True)
    )
    assert not same_run(one, other)
    assert len(grouped([one, other])) == 2
