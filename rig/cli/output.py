"""How commands print."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rig.errors import DONE
from rig.text import plain


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rig.report.document import Column, Table
    from rig.report.terminal import print_blocks

    print_blocks([Table(tuple(map(Column, heads)), tuple(map(tuple, rows)))])


def print_markdown(text: str) -> None:
    """Set out for a terminal; as it is into a pipe or a file."""
    if not sys.stdout.isatty():
        print(text, end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text))


def print_json(value: Any) -> None:
    print(json.dumps(value, indent=2, allow_nan=False))


def print_path(path: Path, as_json: bool) -> None:
    if as_json:
        print_json({"written": str(path)})
    else:
        print(plain(f"written: {path}"))


def nobody_reads() -> int:
    """Whoever read our output, such as `head`, has had enough: no mistake of anybody's."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return DONE
