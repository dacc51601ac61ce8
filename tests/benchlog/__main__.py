"""Run many planted cases: `python -m tests.benchlog [CASES [SEEDS [FIRST]]]`, 40 and 3 unless told.

Prints a line for each case, and at the end how many were wrong. `python -m tests.benchlog
misreadings N` runs planted misreadings, 20 unless told, and `python -m tests.benchlog references N`
holds ends against closed forms on fine grids, in ten cases unless told.
"""

from __future__ import annotations

import sys
import tempfile
import time
import warnings
from pathlib import Path

from tests.benchlog.misread import misread
from tests.benchlog.planted import faults, plant
from tests.benchlog.reference import off_reference


def misreadings(count: int) -> int:
    """Run planted misreadings; 1 where one was not told as it should."""
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            place = Path(folder) / str(number)
            place.mkdir()
            told = misread(place, number)
            wrong += bool(told)
            print(f"misreading {number}: {'; '.join(told) or 'right'}", flush=True)
    print(f"{count} misreadings, {wrong} wrong")
    return int(wrong > 0)


def references(count: int) -> int:
    """Hold ends against a slow reference; 1 where one lies too far off."""
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            told, furthest = off_reference(Path(folder) / str(number), number)
            wrong += bool(told)
            print(f"reference {number}: {'; '.join(told) or 'right'}, "
                  f"ends within {furthest:.2%} of their range", flush=True)
    print(f"{count} references, {wrong} wrong")
    return int(wrong > 0)


def main() -> int:
    """Run them; 1 where a truth was excluded or lies outside."""
    if sys.argv[1:2] == ["references"]:
        return references(int((*sys.argv[2:3], 10)[0]))
    if sys.argv[1:2] == ["misreadings"]:
        return misreadings(int((*sys.argv[2:3], 20)[0]))
    cases, seeds, first = (*map(int, sys.argv[1:4]), 40, 3, 0)[:3] if len(sys.argv) > 3 else (
        *map(int, sys.argv[1:]), *(40, 3, 0)[len(sys.argv) - 1 :])
    warnings.simplefilter("ignore")
    wrong = done = undecided = runs = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(seeds):
            for number in range(first, first + cases):
                began = time.process_time()
                case = plant(Path(folder) / f"{number}-{seed}", number, seed)
                told, found = faults(case, seed=seed)
                done += 1
                wrong += bool(told)
                runs += found.runs
                states = "".join(one.state[0] for one in found.rivals)
                undecided += states.count("o")
                print(f"case {number} seed {seed}: {len(case.truth)} figures, "
                      f"{len(case.log.observations)} observations, {states}, {found.runs} runs, "
                      f"{time.process_time() - began:.1f} s; {'; '.join(told) or 'right'}",
                      flush=True)
    print(f"{done} cases, {wrong} wrong, {undecided} combinations open, {runs} runs")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
