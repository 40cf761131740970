"""The JSON Schema of a capture's metadata: what is written fits it, in every version."""

from __future__ import annotations

import json
import shutil
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from rig.captures.capture import read_description
from rig.captures.convert import finish
from rig.help.capture import capture_schema

SCHEMA = json.loads((resources.files("rig.captures") / "meta.schema.json").read_text("utf-8"))
SAMPLES = Path(__file__).parents[2] / "sample_captures"
CAPTURES = sorted([*SAMPLES.glob("*.parquet"), *Path(__file__).parent.glob("frozen/*.parquet")])
KINDS = {"string": str, "integer": int, "number": (int, float), "object": dict, "array": list}
KINDS["null"] = type(None)  # type: ignore[assignment]


def misfits(value: Any, schema: dict[str, Any], where: str = "$") -> list[str]:
    """Where `value` does not fit; only the words of JSON Schema that ours uses."""
    unknown = schema.keys() - {
        *("$schema", "title", "description", "type", "properties", "required"),
        *("additionalProperties", "items", "anyOf", "minimum", "maximum"),
    }
    assert not unknown
    if "anyOf" in schema:
        return [] if any(not misfits(value, one) for one in schema["anyOf"]) else [where]
    kind = schema["type"]
    if not isinstance(value, KINDS[kind]) or (isinstance(value, bool) and kind != "boolean"):
        return [where]
    found = []
    if kind == "object":
        found += [
            f"{where}.{name} is missing" for name in schema.get("required", ()) if name not in value
        ]
        others = schema.get("additionalProperties", True)
        for name, entry in value.items():
            rule = schema.get("properties", {}).get(name, others)
            found += misfits(entry, rule, f"{where}.{name}") if isinstance(rule, dict) else []
    elif kind == "array":
        for place, entry in enumerate(value):
            found += misfits(entry, schema.get("items", {}), f"{where}[{place}]")
    elif "minimum" in schema and not schema["minimum"] <= value <= schema["maximum"]:
        found.append(where)
    return found


def test_the_shipped_schema_is_what_the_code_says() -> None:
    assert capture_schema() == SCHEMA, "write it anew: python -m rig.help"


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_captures_of_every_version_fit(path: Path) -> None:
    assert misfits(read_description(path)[1], SCHEMA) == []


def test_a_capture_of_this_version_fits_and_has_every_key(tmp_path: Path) -> None:
    (journal,) = SAMPLES.glob("*.journal")
    written = read_description(finish(Path(shutil.copy(journal, tmp_path))))[1]
    assert misfits(written, SCHEMA) == []
    assert set(written) == set(SCHEMA["properties"])


@pytest.mark.parametrize(
    ("key", "value", "where"),
    [
        ("rows", "many", "$.rows"),
        ("seconds", "long", "$.seconds"),
        ("marks", [{"text": 5, "time_s": None}], "$.marks[0].text"),
        ("alarms", [{}], "$.alarms[0].severity is missing"),
        ("schema", 2, "$.schema"),
        ("pairs", {"pack": 1}, "$.pairs.pack"),
    ],
)
def test_what_is_not_of_its_kind_does_not_fit(key: str, value: Any, where: str) -> None:
    described = read_description(CAPTURES[0])[1]
    assert where in misfits(described | {key: value}, SCHEMA)
