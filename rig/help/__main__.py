"""Write the pages of `rig help` anew from the code: `python -m rig.help`."""

from __future__ import annotations

from pathlib import Path

from rig.help import pages

if __name__ == "__main__":
    for topic, text in pages.made().items():
        (Path(__file__).parent / f"{topic}.md").write_text(text, encoding="utf-8")
