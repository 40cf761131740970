"""`python -m rig.cli`."""

import sys

from rig.cli import main

if __name__ == "__main__":
    sys.exit(main())
