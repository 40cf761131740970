"""The JSON Schema of a capture's metadata, from the dataclass that reads it.

Shipped as rig/captures/meta.schema.json for programs that are not ours. In a Parquet file the
metadata is the JSON under the key `rig` of the file's key-value metadata.
"""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter

from rig.captures.capture import AMENDMENT, SCHEMA, Meta
from rig.help.stand import notes_of

LATER = ("pairs", "stop_proof", "amendments", "identity", "filed", "calibrated")
"""Keys that the first version did not write. All others are in every capture."""

_TEXT = {"type": "string"}
_NUMBER = {"anyOf": [{"type": "number"}, {"type": "null"}]}
_EVENTS: dict[str, dict[str, Any]] = {
    "alarms": {
        "severity": _TEXT,
        "quantity": _TEXT,
        "cause": _TEXT,
        "text": _TEXT,
        "value": _NUMBER,
        "limit": _NUMBER,
        "state": _TEXT,
    },
    "marks": {"text": _TEXT},
    "states": {"state": _TEXT, "cause": _TEXT},
    "told": {"line": _TEXT},
}


def capture_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what `Meta.as_dict` gives."""
    made, notes = TypeAdapter(Meta).json_schema(), notes_of(Meta)
    keys: dict[str, dict[str, Any]] = made["properties"]
    for name, key in keys.items():
        key.pop("title")
        key.pop("default", None)
        if notes.get(name):
            key["description"] = notes[name]
    for name, words in _EVENTS.items():
        times = {"time_s": _NUMBER, "host_s": {"type": "number"}}
        keys[name]["items"] = _table(words | times, required=[*words, "time_s"])
    keys["amendments"]["items"] = _table(dict.fromkeys(AMENDMENT, _TEXT), required=AMENDMENT)
    keys["pairs"]["additionalProperties"] = _TEXT
    keys["schema"] |= {"minimum": 1, "maximum": SCHEMA}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Metadata of a capture",
        "description": made["description"],
        "type": "object",
        "properties": keys,
        "required": [name for name in keys if name not in LATER],
    }


def _table(properties: dict[str, Any], required: Any) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": list(required)}
