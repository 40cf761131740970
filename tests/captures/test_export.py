"""Captures in spreadsheets: units, numbers as they are, and no text that becomes a formula."""

import csv
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from rig.captures import export
from rig.captures.capture import META_KEY, load
from rig.captures.convert import convert
from rig.errors import InputFileError
from tests.captures import journals

EVIL = '=HYPERLINK("http://example.org","click")'


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """A run whose setup, notes and labels were written by somebody with intentions."""
    labels = (*journals.LABELS, "=1+1", "@SUM(A1)")
    lines = [
        journals.begin(setup=EVIL, notes="+1\x07+1", campaign="-2", port="@x"),
        journals.introduction(labels=labels),
        journals.state("running", 1.0),
        *(journals.data(row, channels=len(labels)) for row in range(30)),
    ]
    return convert(journals.written(tmp_path / "run.journal", lines))


def test_csv_holds_the_table_with_units(tmp_path: Path, capture: Path) -> None:
    written = export.export_csv(capture, tmp_path / "run.csv")
    table, ours = pd.read_csv(written), load(capture).frame
    assert list(table.columns[:3]) == ["time_s [s]", "current_a [A]", "voltage_v [V]"]
    assert "motor_degc [°C]" in table.columns
    table.columns = ours.columns
    for column in ours.columns:
        mine = ours[column]
        if column == "phase":
            assert table[column].tolist() == mine.tolist()
        else:
            pd.testing.assert_series_equal(
                table[column].astype(float), mine.astype(float), rtol=1e-7
            )


def test_excel_holds_the_table_with_units(tmp_path: Path, capture: Path) -> None:
    written = export.export_excel(capture, tmp_path / "run.xlsx")
    csv_table = pd.read_csv(export.export_csv(capture, tmp_path / "run.csv"))
    table = pd.read_excel(written, sheet_name="run")
    pd.testing.assert_frame_equal(table, csv_table, check_dtype=False, rtol=1e-6)


def _cells_of_csv(path: Path) -> list[str]:
    with path.open(newline="", encoding="utf-8") as file:
        return [cell for row in csv.reader(file) for cell in row]


def test_no_text_cell_of_csv_begins_a_formula(tmp_path: Path, capture: Path) -> None:
    written = export.export_csv(capture, tmp_path / "run.csv")
    about = tmp_path / "run.about.csv"
    cells = _cells_of_csv(written) + _cells_of_csv(about)
    assert f"'{EVIL}" in cells
    for cell in cells:
        assert not cell.startswith(("=", "+", "@", "\t", "\r"))
        assert not cell.startswith("-") or float(cell) < 0


def test_no_cell_of_excel_is_a_formula(tmp_path: Path, capture: Path) -> None:
    book = openpyxl.load_workbook(export.export_excel(capture, tmp_path / "run.xlsx"))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert f"'{EVIL}" in [cell.value for cell in cells]
    for cell in cells:
        assert cell.data_type != "f"
        assert not isinstance(cell.value, str) or cell.value[:1] not in "=+-@\t\r"


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@a", "\t=1", "\r=1", "\n=1", "\x00=1"])
def test_every_character_that_begins_a_formula(text: str) -> None:
    """The list is that of OWASP, "CSV Injection"."""
    assert export.safe_cell(text)[0] in "'?"
    assert export.safe_cell(f"a{text.lstrip()}") == f"a{text.lstrip()}".replace("\x00", "?")


@pytest.mark.parametrize("separator", [";", "\t", "\r", "\n"])
@pytest.mark.parametrize("quote", ["", '"', "'"])
@pytest.mark.parametrize("begins", ["=", "+", "-", "@"])
def test_no_formula_begins_where_other_countries_separate_cells(
    separator: str, quote: str, begins: str
) -> None:
    safe = export.safe_cell(f"calm{separator}{quote}{begins}1")
    assert safe == f"calm{separator}'{quote}{begins}1"
    assert export.safe_cell(f"calm{separator} 1 {begins} 1") == f"calm{separator} 1 {begins} 1"


@pytest.mark.parametrize(
    "kind",
    [
        pa.string(), pa.large_string(), pa.string_view(), pa.binary(), pa.large_binary(),
        pa.binary_view(), pa.dictionary(pa.int8(), pa.string()),
        pa.dictionary(pa.int32(), pa.large_string()),
    ],
    ids=str,
)  # fmt: skip
def test_text_of_every_kind_is_made_safe(kind: pa.DataType, tmp_path: Path, capture: Path) -> None:
    file = pq.ParquetFile(capture)
    table = file.read()
    value = EVIL.encode() if "binary" in str(kind) else EVIL
    if pa.types.is_dictionary(kind):
        words = pa.array([value] * table.num_rows, kind.value_type).dictionary_encode().cast(kind)
    else:
        words = pa.array([value] * table.num_rows, kind)
    other = tmp_path / "other.parquet"
    with pq.ParquetWriter(other, (table := table.append_column("who", words)).schema) as writer:
        writer.write_table(table)
        writer.add_key_value_metadata({META_KEY: file.metadata.metadata[META_KEY]})
    cells = _cells_of_csv(export.export_csv(other, tmp_path / "x.csv"))
    assert cells.count(f"'{EVIL}") == table.num_rows
    sheet = openpyxl.load_workbook(export.export_excel(other, tmp_path / "x.xlsx"))["run"]
    assert sheet.cell(2, sheet.max_column).value == f"'{EVIL}"


def test_negative_numbers_stay_numbers(tmp_path: Path) -> None:
    """The first edge lies before tick 0 of the count of ticks, in a run that begins at 0."""
    lines = [journals.begin(), journals.introduction()]
    first = journals.Data(0, 100, 5, 2**32 - 50, 1, journals.COUNTS)
    path = convert(journals.written(tmp_path / "n.journal", [*lines, journals.frame(first.body())]))
    assert pd.read_csv(export.export_csv(path, tmp_path / "n.csv"))["edge_tick [tick]"][0] == -50
    sheet = openpyxl.load_workbook(export.export_excel(path, tmp_path / "n.xlsx"))["run"]
    assert sheet.cell(2, sheet.max_column).value == -50


def test_too_many_rows_for_excel_are_refused(
    tmp_path: Path, capture: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(export, "MOST_EXCEL_ROWS", 30)
    with pytest.raises(InputFileError, match="30 rows are too many"):
        export.export_excel(capture, tmp_path / "run.xlsx")
    monkeypatch.setattr(export, "MOST_EXCEL_ROWS", 31)
    assert export.export_excel(capture, tmp_path / "run.xlsx").exists()


def test_an_existing_file_is_not_replaced(tmp_path: Path, capture: Path) -> None:
    names = [export.export_csv(capture, tmp_path / "run.csv").name for _ in range(2)]
    assert names == ["run.csv", "run_2.csv"]
    assert (tmp_path / "run_2.about.csv").exists()
