"""Files and functions stay short, and the map in DEVELOPERS.md is that of the tree."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import rig

RIG = Path(rig.__file__).parent
MAP = RIG.parent / "DEVELOPERS.md"
LONGEST_FILE, LONGEST_FUNCTION = 400, 60

STILL_LONG = {"gather.py"}
"""Files that are to be split. No new ones."""


def sources() -> dict[str, str]:
    """Every module by its path below rig/."""
    return {path.relative_to(RIG).as_posix(): path.read_text() for path in RIG.rglob("*.py")}


def test_no_file_is_long() -> None:
    long = {name for name, text in sources().items() if len(text.splitlines()) > LONGEST_FILE}
    assert long <= STILL_LONG


def test_no_function_is_long() -> None:
    long = [
        f"{name}: {node.name}"
        for name, text in sources().items()
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (node.end_lineno or 0) - node.lineno >= LONGEST_FUNCTION
    ]
    assert not long


def test_the_map_names_every_package_and_top_level_module_and_nothing_else() -> None:
    rows = MAP.read_text().split("## The map of the house")[1].split("\n## ")[0].splitlines()
    cells = [row.split("|")[1] for row in rows if row.startswith("| `")]
    named = [name for cell in cells for name in re.findall(r"`rig/([^`]+)`", cell)]
    there = [path.name for path in RIG.glob("*.py") if not path.name.startswith("__")]
    there += [f"{path.parent.name}/" for path in RIG.glob("*/__init__.py")]
    assert sorted(named) == sorted(there)
