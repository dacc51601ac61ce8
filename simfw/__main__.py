"""`python -m simfw` is the command line, and so is the command `simfw`."""

import gc
import sys

from simfw.cli import main

__all__ = ["start"]

# What is made in bulk here (states, instants, paths) holds few rings, and a program that ends after
# seconds need not look for them each 700 objects: that would cost it a twentieth of its time.
FEW = 50_000


def start() -> int:
    """The command line as a program of its own."""
    gc.set_threshold(FEW)
    try:
        return main()
    finally:
        gc.freeze()  # nothing is looked through for rings at the end: it ends at once


if __name__ == "__main__":
    sys.exit(start())
