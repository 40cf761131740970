"""firmware_protocol.md taken apart: its fenced examples and its tables."""

from __future__ import annotations

import re
from pathlib import Path

TEXT = (Path(__file__).parents[2] / "firmware_protocol.md").read_text(encoding="utf-8")


def blocks(tag: str) -> list[list[str]]:
    """The lines of each box fenced with `tag`."""
    found = re.findall(rf"^```{tag}\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)
    assert found, f"no {tag} box in the document"
    return [box.splitlines() for box in found]


def lines(tag: str) -> list[str]:
    """All lines of all boxes fenced with `tag`."""
    return [line for box in blocks(tag) for line in box]


def dialogue() -> list[tuple[str, str]]:
    """The worked dialogue: who (`<` board, `>` host) and what; remarks left out."""
    return [(line[0], line[2:]) for line in lines("dialogue") if not line.startswith("#")]


def exchange() -> list[tuple[str, list[str]]]:
    """Each line of the host in the exchange, and the lines with which the board answers it."""
    found: list[tuple[str, list[str]]] = []
    for line in lines("exchange"):
        if line.startswith("> "):
            found.append((line[2:], []))
        elif not line.startswith("#"):
            assert line.startswith("< ")
            found[-1][1].append(line[2:])
    return found


def table(heading: str) -> list[list[str]]:
    """The rows under the table heading `| heading`, cells stripped, code marks taken off."""
    _, found, rest = TEXT.partition(f"\n| {heading}")
    assert found, f"no table {heading!r} in the document"
    rows = []
    for line in rest.splitlines()[2:]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip().strip("`") for cell in line.strip("|").split("|")])
    return rows


def fields(section: str) -> dict[str, str]:
    """Field name to range, of the first field table after the line `section`."""
    _, found, rest = TEXT.partition(f"\n{section}\n")
    assert found, f"no section {section!r} in the document"
    head = "\n| field | range | meaning |\n|---|---|---|\n"
    body = rest.partition(head)[2].partition("\n\n")[0]
    rows = [re.match(r"\| (\w+) \| (.*?) \|", row) for row in body.splitlines()]
    return {row[1]: row[2] for row in rows if row}


def bounds(cell: str) -> tuple[int, int] | None:
    """The two numbers of a range such as `0 to 65535`, if it is one."""
    found = re.match(r"(-?\d+) to (-?\d+)", cell)
    return (int(found[1]), int(found[2])) if found else None
