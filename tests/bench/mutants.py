"""The full count of mutants of the generated C that the test vectors alone notice.

python -m tests.bench.mutants --gadget scenarios/larder-lamp/gadget.toml --count 240
"""

import argparse
import sys
import time

from simfw import load_gadget
from simfw.engine.simulator import Prepared
from simfw.report.source import harness_files
from simfw.verify.driving import segments_of, vector_drives
from simfw.verify.mutants import score

# Why these faults of the larder lamp's C cannot be noticed at its pins: equivalent mutants.
REASONS = {
    "the time of rows 32 is 10 % shorter": (
        "equivalent: the field is read at the end of each look, 125 ms apart, and only there; "
        "540 ms and 600 ms after a look both end between the fourth and the fifth"
    ),
    "gauge: unread : does not keep awake": (
        "equivalent: passed at power-up only, in the same instant as `reading`, which keeps awake"
    ),
    "gauge: reading : does not keep awake": (
        "equivalent: passed at power-up only, in the same instant as `unread`, which keeps awake"
    ),
}


def main() -> int:
    """Count, and list what was not noticed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gadget", default="scenarios/larder-lamp/gadget.toml")
    parser.add_argument("--count", type=int, default=240)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="", help="mutants whose text has this (a pattern)")
    options = parser.parse_args()
    gadget = load_gadget(options.gadget)
    prepared = Prepared(gadget)
    start = time.perf_counter()
    drives = vector_drives(gadget, prepared)
    made = time.perf_counter()
    files = harness_files(prepared.system, segments_of(gadget), gadget.head.name)
    result = score(files, drives, options.count, seed=options.seed, only=options.only)
    print(f"{len(drives)} vectors in {made - start:.1f} s; {result.killed} of {result.total} "
          f"mutants noticed ({result.share:.1%}) in {time.perf_counter() - made:.1f} s.")
    for mutant in result.survivors:
        print(f"  not noticed: {mutant.text}")
        if mutant.text in REASONS:
            print(f"    {REASONS[mutant.text]}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
