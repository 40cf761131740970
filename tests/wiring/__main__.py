"""`python -m tests.wiring`: the table. Exit code 1 if a row is silent, or if a fault that blinds a
limit is neither stopped within half a second of driving nor found by `rig check --turn`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator
from itertools import product

from rig.errors import SettingsError
from rig.simulator.faults import WIRING
from tests.wiring.stands import STANDS
from tests.wiring.trial import FRONTS, Row, trial


def rows(stands: Iterable[str], faults: Iterable[str], fronts: Iterable[str]) -> Iterator[Row]:
    """The table; without what a stand cannot have, such as marks that it has not."""
    for stand, fault, front in product(stands, faults, fronts):
        try:
            yield trial(stand, fault, front)
        except SettingsError:
            print(f"{stand}: {fault} cannot be", file=sys.stderr)


def line(row: Row) -> str:
    """A row as it is printed."""
    when = "-"
    if row.by_hand:
        when = "check --turn"
    elif row.said and row.happened != "cannot be seen":
        when = "before driving" if row.noticed_ms is None else f"{row.noticed_ms:.0f} ms"
    said = row.said
    if row.by_hand:
        after = "" if row.noticed_ms is None else f" after {row.noticed_ms:.0f} ms"
        said = f"turns: {row.by_hand}. Without that check,{after}: {row.said}"
    mark = f"  <<< {row.complaint}" if row.complaint else ""
    return (
        f"{row.stand:<16}{row.fault:<20}{row.front:<9}{row.happened:<15}{when:>15}"
        f"{row.driven_ms:>8.0f}  {said}{mark}"
    )


def main() -> int:
    """Print it; gives the exit code."""
    options = argparse.ArgumentParser(prog="python -m tests.wiring", description=__doc__)
    options.add_argument("--stand", action="append", choices=STANDS, help="only this; repeatable")
    options.add_argument("--fault", action="append", help="only this, as rig simulate takes it")
    options.add_argument("--front", action="append", choices=FRONTS)
    options.add_argument("--survey", action="store_true", help="print only: exit code 0")
    chosen = options.parse_args()
    print(f"{'stand':<16}{'fault':<20}{'front':<9}{'what':<15}{'noticed':>15}{'driven':>8}  said")
    complaints = 0
    for row in rows(chosen.stand or STANDS, chosen.fault or WIRING, chosen.front or FRONTS):
        print(line(row), flush=True)
        complaints += bool(row.complaint)
    print(f"\n{complaints} rows with a complaint")
    return 1 if complaints and not chosen.survey else 0


if __name__ == "__main__":
    sys.exit(main())
