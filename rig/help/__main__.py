"""Write the pages of `rig help`, and the schema of captures, anew: `python -m rig.help`."""

from __future__ import annotations

import json
from pathlib import Path

from rig.help import pages
from rig.help.capture import capture_schema

if __name__ == "__main__":
    here = Path(__file__).parent
    for topic, text in pages.made().items():
        (here / f"{topic}.md").write_text(text, encoding="utf-8")
    schema = json.dumps(capture_schema(), indent=2) + "\n"
    (here.parent / "captures" / "meta.schema.json").write_text(schema, encoding="utf-8")
