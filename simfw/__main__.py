"""`python -m simfw` is the command line."""

import sys

from simfw.cli import main

if __name__ == "__main__":
    sys.exit(main())
