"""`python -m rig` is `rig`."""

import sys

from rig.cli import main

if __name__ == "__main__":
    sys.exit(main())
