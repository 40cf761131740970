"""`python -m tests.truth [NAME ...]`: print the tables named, or all of them."""

from __future__ import annotations

import importlib
import pkgutil
import sys

from tests import truth


def main(names: list[str]) -> int:
    """Print; 1 where a promise does not hold."""
    known = [module.name for module in pkgutil.iter_modules(truth.__path__)
             if not module.name.startswith(("_", "test_"))]  # fmt: skip
    if unknown := set(names) - set(known):
        print(f"unknown tables: {', '.join(sorted(unknown))}; known are: {', '.join(known)}")
        return 2
    broken = 0
    for name in names or known:
        table = importlib.import_module(f"tests.truth.{name}").table()
        print(f"\n{name}: {table.title}")
        widths = [max(map(len, column)) for column in zip(table.heads, *table.rows, strict=True)]
        for row in (table.heads, *table.rows):
            print("  " + "  ".join(f"{cell:>{w}}" for cell, w in zip(row, widths, strict=True)))
        print("\n".join(f"DOES NOT HOLD: {sentence}" for sentence in table.broken) or "all hold")
        broken += len(table.broken)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
