"""Text from outside can steer neither a terminal nor the direction of writing."""

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from rig.text import plain


@given(st.text())
def test_nothing_that_steers_gets_through(text: str) -> None:
    shown = plain(text)
    assert all(
        character == "\n" or unicodedata.category(character) not in ("Cc", "Cf", "Cs", "Zl", "Zp")
        for character in shown
    )


def test_an_escape_sequence_is_shown_and_not_obeyed() -> None:
    assert plain("\x1b[2Jmotor\u202e \u00b0C") == "\\x1b[2Jmotor\\u202e °C"
