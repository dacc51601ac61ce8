"""Run many planted cases: `python -m tests.benchlog [CASES [SEEDS [FIRST]]]`, 40 and 3 unless told.

Prints a line for each case, and at the end how many were wrong. `python -m tests.benchlog
misreadings N` runs planted misreadings, 20 unless told, and `python -m tests.benchlog references N`
holds ends against closed forms on fine grids, in ten cases unless told.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

from tests.benchlog.cases import Case, numbers, run_cases
from tests.benchlog.misread import misread
from tests.benchlog.planted import faults, plant
from tests.benchlog.reference import off_reference


def misreadings(count: int) -> int:
    """Run planted misreadings; 1 where one was not told as it should."""
    def one(number: int) -> Case:
        def run(folder: Path) -> tuple[str, list[str]]:
            folder.mkdir()
            return "", misread(folder, number)

        return f"misreading {number}", run

    return run_cases("misreadings", map(one, range(count)))


def references(count: int) -> int:
    """Hold ends against a slow reference; 1 where one lies too far off."""
    def one(number: int) -> Case:
        def run(folder: Path) -> tuple[str, list[str]]:
            told, furthest = off_reference(folder, number)
            return f"ends within {furthest:.2%} of their range", told

        return f"reference {number}", run

    return run_cases("references", map(one, range(count)))


def planted(cases: int, seeds: int, first: int) -> int:
    """Run planted cases; 1 where a truth was excluded or lies outside."""
    undecided = runs = 0

    def one(number: int, seed: int) -> Case:
        def run(folder: Path) -> tuple[str, list[str]]:
            nonlocal undecided, runs
            case = plant(folder, number, seed)
            told, found = faults(case, seed=seed)
            states = "".join(one.state[0] for one in found.rivals)
            undecided += states.count("o")
            runs += found.runs
            return (f"{len(case.truth)} figures, {len(case.log.observations)} observations, "
                    f"{states}, {found.runs} runs"), told

        return f"case {number} seed {seed}", run

    def each() -> Iterator[Case]:
        for seed in range(seeds):
            for number in range(first, first + cases):
                yield one(number, seed)

    return run_cases("cases", each(), lambda: f", {undecided} combinations open, {runs} runs")


def main() -> int:
    """Run what the command line asks for."""
    warnings.simplefilter("ignore")
    what, *more = sys.argv[1:] or [""]
    if what == "references":
        return references(*numbers(more, 10))
    if what == "misreadings":
        return misreadings(*numbers(more, 20))
    return planted(*numbers(sys.argv[1:], 40, 3, 0))


if __name__ == "__main__":
    sys.exit(main())
