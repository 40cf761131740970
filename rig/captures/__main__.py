"""`python -m rig.captures JOURNAL`: the capture of a run that nobody watched to its end."""

from __future__ import annotations

import sys
from pathlib import Path

from rig.captures.convert import finish
from rig.errors import RigError


def main() -> int:
    """Convert and remove; the journal stays where that is not possible."""
    try:
        finish(Path(sys.argv[1]))
    except RigError as error:
        print(f"rig: {error}", file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
