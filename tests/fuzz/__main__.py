"""`python -m tests.fuzz N SEED`: N mutated files of every kind, each with bounds and a report.

`--only KIND --from NUMBER` runs a failure again (with N = 1), `--keep FILE` writes the mutant.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from tests.fuzz.kinds import KINDS
from tests.fuzz.running import BYTES, SECONDS, Tally, many, mutant


def main() -> int:
    """Run, print, and return 1 where a mutant did what none may."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("count", type=int, metavar="N")
    parser.add_argument("seed", type=int, metavar="SEED")
    parser.add_argument("--jobs", type=int, default=1, metavar="J")
    parser.add_argument("--only", default="", choices=["", *(kind.name for kind in KINDS)])
    parser.add_argument("--from", dest="start", type=int, default=0, metavar="NUMBER")
    parser.add_argument("--keep", type=Path, metavar="FILE")
    arguments = parser.parse_args()
    if arguments.keep is not None:
        kind = next(kind for kind in KINDS if kind.name == arguments.only)
        arguments.keep.write_bytes(mutant(kind, arguments.start, arguments.seed, kind.valid))
        return 0
    begun = time.monotonic()
    whole = Tally()
    for done, tally in many(arguments.count, arguments.seed, jobs=arguments.jobs,
                            only=arguments.only, start=arguments.start):
        whole.add(tally)
        for failure in tally.failures:
            print(f"{failure.kind} {failure.number}: {failure.what}", flush=True)
        print(f"{done} mutants, {len(whole.failures)} failures, "
              f"{time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    statuses = ", ".join(f"{status}: {count}" for status, count in sorted(whole.statuses.items()))
    print(f"{arguments.count} mutants, seed {arguments.seed}: {len(whole.failures)} failures")
    print(f"exit statuses: {statuses}")
    print(f"longest {whole.longest_s:.1f} s ({whole.slowest}; bound {SECONDS} s), largest process "
          f"{whole.most_bytes / 1e6:.0f} MB (bound for a mutant: {BYTES / 1e6:.0f} MB more than "
          "before)")
    return 1 if whole.failures else 0


if __name__ == "__main__":
    sys.exit(main())
