"""Journals, logs and what becomes of them."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

import rig
from rig.captures.capture import load, read_meta
from rig.captures.convert import convert, finish, recalibrate
from rig.errors import InputFileError, SettingsError
from rig.protocol.decoder import Decoder
from rig.protocol.framing import checksum, frame
from rig.protocol.records import Channel, Data, Hello
from rig.protocol.timeline import Step
from rig.stand.sampler import Sampler
from rig.stand.settings import demo_stand, stand_from_dict, stand_to_dict
from tests.captures import journals


def _run(tmp_path: Path, lines: list[bytes], name: str = "run.journal") -> Path:
    return convert(journals.written(tmp_path / name, lines))


def test_a_run_becomes_a_table_with_everything_known_about_it(tmp_path: Path) -> None:
    capture = rig.load(_run(tmp_path, journals.whole_run()))
    frame_, meta = capture.frame, capture.meta
    assert len(frame_) == meta.rows == 300
    assert frame_["time_s"].iloc[0] == 0.0
    assert meta.seconds == frame_["time_s"].iloc[-1] == pytest.approx(2.99)
    assert (meta.setup, meta.run, meta.campaign, meta.outcome) == ("early", 3, "marram", "done")
    assert meta.stand == stand_to_dict(demo_stand())
    assert meta.limits == meta.stand["limits"]
    assert meta.host["rig"] == "0.1.0"
    assert meta.hello.startswith("H,1,bench,1.0,7,")
    assert meta.statistics["good"] == 300 + 6
    assert meta.statistics["lost"] == meta.statistics["after_restart"] == 0
    assert (tmp_path / "run.journal").exists()


def test_each_row_knows_its_phase_and_throttle(tmp_path: Path) -> None:
    table = load(_run(tmp_path, journals.whole_run())).frame
    assert table["phase"].tolist() == ["ready"] * 100 + ["running"] * 100 + ["coasting"] * 100
    assert table["throttle_pct"].iloc[:100].isna().all()
    assert (table["throttle_pct"].iloc[100:200] == 40.0).all()
    assert (table["throttle_pct"].iloc[200:] == 0.0).all()


def test_remarks_stand_at_the_time_of_the_line_before_them(tmp_path: Path) -> None:
    meta = read_meta(_run(tmp_path, journals.whole_run()))
    ready, running, coasting = meta.states
    assert ready["time_s"] is None
    assert running["time_s"] == pytest.approx(0.99)
    assert coasting["time_s"] == meta.marks[0]["time_s"] == pytest.approx(1.99)
    assert meta.marks[0]["text"] == "quiet"


def test_remarks_are_timed_across_row_groups(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.captures.convert.ROWS_AT_ONCE", 7)
    marked = [
        line
        for row in range(60)
        for line in (journals.data(row), journals.remark("mark", 0.0, {"text": str(row)}))
    ]
    meta = read_meta(_run(tmp_path, [journals.begin(), journals.introduction(), *marked]))
    times_s = [mark["time_s"] for mark in meta.marks]
    assert times_s == pytest.approx([row / journals.LINE_HZ for row in range(60)])


def test_rows_are_what_the_live_path_makes_of_the_lines(tmp_path: Path) -> None:
    table = load(_run(tmp_path, journals.whole_run())).frame
    board = Decoder().feed(journals.introduction())
    assert isinstance(board[0], Hello)
    sampler = Sampler(demo_stand(), board[0], [c for c in board if isinstance(c, Channel)])
    for row in table.itertuples():
        counts = tuple(getattr(row, f"{label}_count") for label in journals.LABELS)
        step = Step(row.sequence, row.tick, row.edges, row.edge_tick, 0)
        sample = sampler.sample(step, Data(0, 0, 0, 0, row.status, counts))
        assert row.time_s == sample.time_s
        assert row.valid == (not sample.clipped and not sample.faults)
        for column, value in zip(sampler.columns, sample.values, strict=True):
            stored = getattr(row, column)
            assert stored == np.float32(value) or (math.isnan(stored) and math.isnan(value))


def test_columns_carry_units_and_labels(tmp_path: Path) -> None:
    schema = pq.read_schema(_run(tmp_path, journals.whole_run()))
    units = {field.name: field.metadata[b"unit"].decode() for field in schema}
    assert units["current_a"] == "A"
    assert units["motor_degc"] == "°C"
    assert units["speed_rpm"] == "rpm"
    assert units["shunt_count"] == "count"
    assert schema.field("shunt_count").metadata[b"label"] == b"shunt"
    for name, kind in [("sequence", "int64"), ("tick", "int64"), ("shunt_count", "int32")]:
        assert str(schema.field(name).type) == kind


def test_labels_become_harmless_columns(tmp_path: Path) -> None:
    labels = (*journals.LABELS, "../a b", "A B", "=cmd()", "?")
    rows = [journals.data(row, channels=len(labels)) for row in range(5)]
    path = _run(tmp_path, [journals.begin(), journals.introduction(labels=labels), *rows])
    names = pq.read_schema(path).names
    assert {"a_b_count", "a_b_2_count", "cmd_count", "channel_count"} <= set(names)


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_a_terminal_log_needs_a_stand_and_speaks_for_no_host(tmp_path: Path, ending: bytes) -> None:
    lines = [
        b"some greeting of the terminal\n",
        journals.introduction(),
        *(journals.data(row, status=0) for row in range(5)),
        journals.end(outcome="tripped"),
        *(journals.data(row) for row in range(5, 30)),
    ]
    log = journals.written(tmp_path / "teraterm.log", [b"".join(lines).replace(b"\n", ending)])
    with pytest.raises(InputFileError, match="--stand"):
        convert(log)
    capture = load(convert(log, stand=demo_stand(), setup="late"))
    assert (capture.meta.setup, capture.meta.outcome) == ("late", "imported")
    assert capture.frame["phase"].tolist() == ["imported"] * 5 + ["running"] * 25
    assert capture.meta.statistics["rejected"] == {"a record the board may not send": 1}
    assert capture.meta.statistics["before_first"] == 1


def test_a_board_that_only_talks_is_taken_as_running(tmp_path: Path) -> None:
    lines = [
        journals.introduction(abilities=""),
        *(journals.data(row, status=0) for row in range(5)),
    ]
    log = journals.written(tmp_path / "a.log", lines)
    assert set(load(convert(log, stand=demo_stand())).frame["phase"]) == {"running"}


def test_lines_before_a_late_introduction_of_the_same_boot_are_kept(tmp_path: Path) -> None:
    early, later = [journals.data(r) for r in range(40)], [journals.data(r) for r in range(40, 50)]
    log = journals.written(tmp_path / "a.log", [*early, journals.introduction(), *later])
    assert len(load(convert(log, stand=demo_stand())).frame) == 50


def test_lines_before_a_reset_and_its_introduction_are_not_of_this_run(tmp_path: Path) -> None:
    early = [journals.data(row) for row in range(20_000, 20_010)]
    later = [journals.data(row) for row in range(30)]
    log = journals.written(tmp_path / "a.log", [*early, journals.introduction(), *later])
    capture = load(convert(log, stand=demo_stand()))
    assert len(capture.frame) == 30
    assert capture.meta.statistics["before_introduction"] == 10


@pytest.mark.parametrize("heard", [True, False], ids=["hello heard", "hello lost"])
def test_a_reset_ends_the_rows_but_not_the_story(tmp_path: Path, heard: bool) -> None:
    lines = [
        journals.begin(),
        journals.introduction(),
        *(journals.data(row) for row in range(1000, 1100)),
        *([journals.introduction(boot=8)] if heard else []),
        *(journals.data(row) for row in range(50)),
        journals.end(outcome="link lost", exit_code=4),
    ]
    journal = journals.written(tmp_path / "run.journal", lines)
    capture = load(finish(journal))
    assert len(capture.frame) == 100
    assert (capture.meta.outcome, capture.meta.exit_code) == ("link lost", 4)
    statistics = capture.meta.statistics
    assert statistics["restarted"]
    assert statistics["after_restart"] + statistics["late"] == 50
    assert journal.exists(), "the lines after the reset are nowhere else"


def test_counted_losses(tmp_path: Path) -> None:
    rows = [0, 1, 2, 2, 5, 4, 6]
    lines = [journals.data(row) for row in rows]
    damaged = journals.data(7).replace(b"D,", b"D,9", 1)
    misfit = journals.data(8, channels=3)
    meta = read_meta(
        _run(tmp_path, [journals.begin(), journals.introduction(), *lines, damaged, misfit])
    )
    assert meta.rows == 5
    statistics = meta.statistics
    assert (statistics["lost"], statistics["repeated"], statistics["late"]) == (2, 1, 1)
    assert statistics["rejected"] == {"checksum does not match": 1}
    assert statistics["misfits"] == 1


def test_a_run_without_a_data_line_is_still_a_capture(tmp_path: Path) -> None:
    lines = [journals.begin(), journals.introduction(), journals.end(outcome="link lost")]
    capture = load(_run(tmp_path, lines))
    assert len(capture.frame) == 0
    assert capture.meta.outcome == "link lost"
    assert capture.meta.seconds is None


def test_finish_removes_the_journal_and_progress_reaches_its_end(tmp_path: Path) -> None:
    journal = journals.written(tmp_path / "run.journal", journals.whole_run())
    told: list[float] = []
    capture = finish(journal, told.append)
    assert capture == tmp_path / "run.parquet"
    assert told[-1] == 1.0
    assert [path.name for path in tmp_path.iterdir()] == ["run.parquet"]


def test_an_existing_capture_is_never_replaced(tmp_path: Path) -> None:
    journal = journals.written(tmp_path / "run.journal", journals.whole_run())
    (tmp_path / "run.parquet").write_bytes(b"dear to somebody")
    names = [convert(journal).name, convert(journal).name]
    assert names == ["run_2.parquet", "run_3.parquet"]
    assert (tmp_path / "run.parquet").read_bytes() == b"dear to somebody"


def test_a_journal_of_a_board_with_other_channels_is_refused(tmp_path: Path) -> None:
    lines = [journals.begin(), journals.introduction(labels=("a",)), journals.data(0, channels=1)]
    with pytest.raises(SettingsError, match="shunt"):
        _run(tmp_path, lines)


def test_a_later_protocol_is_refused(tmp_path: Path) -> None:
    later = frame("H,2,bench,1.0,7,1000000,100,STL,0")
    with pytest.raises(InputFileError, match="version 2"):
        _run(tmp_path, [journals.begin(), later, journals.data(0)])


def test_words_of_strangers_do_not_break_the_description(tmp_path: Path) -> None:
    alarm_body = b'!alarm,1.0,{"value":NaN,"limit":Infinity,"time_s":"now"}'
    strange = [
        journals.begin(run="seven", notes=["x"], host="none"),
        journals.introduction(),
        journals.state("levitating", 1.0),
        journals.data(0),
        b"%s*%04X\n" % (alarm_body, checksum(alarm_body)),
    ]
    capture = load(_run(tmp_path, strange))
    assert capture.meta.run == 0
    assert capture.frame["phase"].tolist() == ["unknown"]
    (alarm,) = capture.meta.alarms
    assert (alarm["value"], alarm["limit"], alarm["text"]) == (None, None, "")
    json.dumps(capture.meta.as_dict(), allow_nan=False)


def test_recalibrating_with_the_same_stand_changes_nothing(tmp_path: Path) -> None:
    old = _run(tmp_path, journals.whole_run())
    made = "2031-06-01T08:00:00.000+00:00"
    again = recalibrate(old, demo_stand(), tmp_path / "again.parquet", made)
    assert again.name == "again.parquet"
    assert pq.read_table(again).equals(pq.read_table(old))
    assert read_meta(again) == replace(read_meta(old), calibrated=made)


def test_recalibrating_with_twice_the_shunt_halves_the_current(tmp_path: Path) -> None:
    settings = stand_to_dict(demo_stand())
    settings["channels"]["current"]["shunt_ohm"]["value"] *= 2
    old_path = _run(tmp_path, journals.whole_run())
    new_path = recalibrate(old_path, stand_from_dict(settings, "test"), tmp_path / "new.parquet")
    old, new = load(old_path), load(new_path)
    np.testing.assert_allclose(new.frame["current_a"], old.frame["current_a"] / 2, rtol=1e-6)
    np.testing.assert_array_equal(new.frame["shunt_count"], old.frame["shunt_count"])
    assert new.meta.stand == settings
