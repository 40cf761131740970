"""What is asked of a comparison, as it is typed and in a notebook: the same answer."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import rig
from rig import review
from rig.analysis.answers import Bound
from rig.cli import main
from rig.errors import SettingsError

SAMPLES = str(Path(__file__).parents[1] / "sample_captures")


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))


@pytest.mark.parametrize(
    ("text", "bound"),
    [
        ("current=5%", Bound("current_a", 5.0, "%")),
        (" power = 2.5 % ", Bound("power_w", 2.5, "%")),
        ("efficiency=1%", Bound("efficiency", 1.0, "%")),
        ("motor=10K", Bound("motor_degc_rise", 10.0, "K")),
    ],
)
def test_bounds_as_they_are_typed(text: str, bound: Bound) -> None:
    assert review.question(None, [], False, None, None, cost=[text]).bounds == (bound,)


@pytest.mark.parametrize(
    "text",
    [
        "current",
        "current=5",
        "speed=5%",
        "motor=5%",
        "=5%",
        "current=..%",
        "current=-5%",
        "m=1e9K",
        "",
    ],
)
def test_what_is_no_bound_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="not a bound on the cost"):
        review.question(None, [], False, None, None, cost=[text])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--baseline", "late", "--cost", "rotor=5K"], "no run has 'rotor_degc_rise'"),
        (["--baseline", "late", "--cost", "current=5"], "not a bound on the cost"),
        (["--baseline", "lte"], "no run has the setup 'lte'"),
        (["--baseline", "trip"], "usable runs of the baseline"),
        (["--baseline", "late", "--exponent-u", "2"], "exponent-u"),
    ],
)
def test_wrong_questions_end_in_one_message(
    options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", SAMPLES, *options]) == 2
    message = capsys.readouterr().err
    assert words in message
    assert "Traceback" not in message


def test_a_notebook_gets_the_command_s_answer(capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--worth", "1", "--cost", "current=3%", "--exponent-u", "0.05", "--air",
               "late=21,1013", "--air", "early=22,1013"]  # fmt: skip
    assert main(["compare", SAMPLES, "--baseline", "late", "--json", *options]) == 0
    item = json.loads(capsys.readouterr().out)["variants"]["early"]
    with pytest.warns(UserWarning):
        table = rig.compare(
            SAMPLES, "late", 1.0, cost=["current=3%"], exponent_u=0.05,
            air=["late=21,1013", "early=22,1013"],
        )  # fmt: skip
    assert set(table["verdict"]) == {item["verdict"]} == {"not worth it"}
    assert set(table["sentence"]) == {item["verdict_sentence"]}
    by_name = table.set_index("quantity")
    for name, change in item["changes"].items():
        key = "change_pct" if "change_pct" in change else "change_k"
        if change[key] is not None:
            assert by_name.loc[name, key] == pytest.approx(change[key])
