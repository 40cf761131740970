"""What a tester may say of a run, and what a file may claim that he said."""

from __future__ import annotations

import pytest

from rig.captures.capture import Meta
from rig.captures.description import checked_notes, checked_setup, parse_pairs
from rig.errors import SettingsError


def test_pairs_as_typed() -> None:
    words = ["pack = P1 ", "propeller=11x7=folding", "controller firmware=2.1 β", "pack=P2"]
    assert parse_pairs(words) == {
        "pack": "P2",
        "propeller": "11x7=folding",
        "controller firmware": "2.1 β",
    }
    assert parse_pairs(["pack="], may_remove=True) == {"pack": ""}


@pytest.mark.parametrize(
    "word",
    ["pack", "=P1", "pack=", "Pack=P1", "1st=x", "a" * 41 + "=x", "a=" + "x" * 201, "a=\x1b[2J",
     "a=x\ny", "a=\u202ex", "a=\udce9", "päck=x", "a.b=x"],
)  # fmt: skip
def test_what_is_no_pair(word: str) -> None:
    with pytest.raises(SettingsError, match="not a pair"):
        parse_pairs([word])


def test_the_longest_pair_and_the_most_pairs() -> None:
    assert parse_pairs(["a" * 40 + "=" + "x" * 200])
    assert len(parse_pairs([f"k{number}=x" for number in range(20)])) == 20
    with pytest.raises(SettingsError, match="21 pairs"):
        parse_pairs([f"k{number}=x" for number in range(21)])


@pytest.mark.parametrize("check", [checked_setup, checked_notes])
def test_words_that_cannot_be_kept(check: object) -> None:
    assert callable(check)
    for text, said in (("caf\udce9", "not valid Unicode"), ("x" * 2001, "2001 characters")):
        with pytest.raises(SettingsError, match=said):
            check(text)
    assert check("café 🚁") == "café 🚁"


def test_pairs_and_amendments_that_anyone_may_have_written() -> None:
    meta = Meta.from_dict(
        {
            "pairs": {"pack": "P1", "Bad\x1b": "x", "fan": 7, "cell": "\x1b[2J", "empty": ""},
            "amendments": [{"utc": 5, "what": "setup", "more": 1}],
        }
    )
    assert meta.pairs == {"pack": "P1"}
    assert meta.amendments == [{"utc": "5", "what": "setup", "old": "", "new": ""}]
    assert Meta.from_dict({"pairs": ["x"], "amendments": ["x"]}).pairs == {}


def test_events_are_in_order_and_those_before_the_first_line_come_first() -> None:
    meta = Meta.from_dict(
        {
            "marks": [{"text": "quiet", "time_s": 6.5}, {"text": "early", "time_s": None}],
            "alarms": [{"severity": "warning", "text": "hot", "time_s": 2.0}, {"time_s": "x"}],
        }
    )
    assert meta.events == [
        (None, "early"), (None, ": "), (2.0, "warning: hot"), (6.5, "quiet")
    ]  # fmt: skip
