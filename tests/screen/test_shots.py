"""Every screen at three sizes, with and without colour, held against text files."""

from __future__ import annotations

import re

import pytest

from tests.screen.shots import SHOTS, name_of, shoot, wanted


@pytest.mark.parametrize(
    ("scene", "size", "colour"), wanted(), ids=lambda value: str(value).replace(", ", "x")
)
async def test_the_screen_is_as_it_was(scene: str, size: tuple[int, int], colour: bool) -> None:
    kept = (SHOTS / name_of(scene, size, colour)).read_text(encoding="utf-8")
    assert await shoot(scene, size, colour) == kept


def test_without_colour_the_words_are_the_same_and_all_is_grey() -> None:
    for scene, size, colour in wanted():
        if colour:
            continue
        plain = (SHOTS / name_of(scene, size, False)).read_text(encoding="utf-8")
        coloured = (SHOTS / name_of(scene, size, True)).read_text(encoding="utf-8")
        rows, _, legend = re.split("-{20}\n", plain)
        assert rows == re.split("-{20}\n", coloured)[0]
        used = re.findall("#(..)(..)(..)", legend)
        assert used
        assert all(red == green == blue for red, green, blue in used)
        assert re.search("#(?!(..)\\1\\1)", coloured)
