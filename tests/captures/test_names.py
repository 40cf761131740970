"""File names and column names from other people's text."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.captures.names import LONGEST_NAME_BYTES, count_columns, safe_name


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("early", "early"),
        ("20 degrees, 2 mm", "20_degrees,_2_mm"),
        ("../../etc/passwd", "etc_passwd"),
        ("..", "unnamed"),
        ("", "unnamed"),
        ("a\\b:c*d?e", "a_b_c_d_e"),
        ("tab\there\x1b[31mred\x00", "tab_here_[31mred"),
        ("-rf", "rf"),
        (".hidden", "hidden"),
        ("ends with a dot.", "ends_with_a_dot"),
        ("Düse Ø30", "Düse_Ø30"),
        ("right\u202eleft", "right_left"),
        # "Naming Files, Paths, and Namespaces", Microsoft's Win32 documentation.
        ("CON", "x_CON"),
        ("nul.txt", "x_nul.txt"),
        ("Lpt1", "x_Lpt1"),
        ("COM²", "x_COM²"),
        ("console", "console"),
    ],
)
def test_known_names(text: str, name: str) -> None:
    assert safe_name(text) == name


@given(st.text(max_size=200))
def test_any_text_gives_one_harmless_part_of_a_path(text: str) -> None:
    name = safe_name(text)
    assert name and len(name.encode()) <= LONGEST_NAME_BYTES + len("x_")
    assert name.isprintable() and not set(name) & set('/\\<>:"|?* ')
    assert name[0] not in ".-" and name[-1] != "."
    assert (Path("folder") / name).parent == Path("folder")
    assert safe_name(name) == name


@given(st.lists(st.text(max_size=24), max_size=16))
def test_any_labels_give_as_many_different_columns(labels: list[str]) -> None:
    columns = count_columns(labels)
    assert len(set(columns)) == len(columns) == len(labels)
    assert all(re.fullmatch("[a-z0-9_]+_count", column) for column in columns)
