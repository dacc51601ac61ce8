"""What the commands of this folder print of many cases."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.benchlog.cases import numbers, run_cases


def test_each_case_has_a_line_and_a_folder_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    """One wrong case makes the exit status 1, and all of them are told."""
    seen: list[Path] = []

    def run(folder: Path) -> tuple[str, list[str]]:
        seen.append(folder)
        return f"{len(seen)} runs", ["too short", "too dark"] if len(seen) == 2 else []

    assert run_cases("lamps", [("red", run), ("green", run)], lambda: ", 3 runs") == 1
    told = re.sub(r"\d+\.\d s", "0.0 s", capsys.readouterr().out)
    assert told == ("red: 1 runs, 0.0 s; right\ngreen: 2 runs, 0.0 s; too short; too dark\n"
                    "2 lamps, 1 wrong, 3 runs\n")
    assert len(set(seen)) == 2
    assert run_cases("lamps", []) == 0


def test_numbers_that_are_not_given_are_the_usual_ones() -> None:
    """In their order."""
    assert numbers([], 40, 3, 0) == (40, 3, 0)
    assert numbers(["2", "1"], 40, 3, 0) == (2, 1, 0)
