"""A few hundred mutated files of every kind end in a report or a message, never in a traceback."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from tests.fuzz.kinds import KINDS, Kind, bench, workshop
from tests.fuzz.running import many, mutant, one

SEED = 20
EACH = 40


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a valid file of each kind."""
    made = tmp_path_factory.mktemp("workshop")
    workshop(made)
    return made


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_mutated_files_end_in_a_report_or_a_message(kind: Kind, folder: Path) -> None:
    """Each exit status is 0, 1 or 2, with a word where it is 2; the same mutants each time."""
    if kind.name == "firmware":
        compare, valid = bench(folder)
        (folder / kind.file).write_bytes(valid)
        assert compare() == "None"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # archives are made with two equal names
        count = EACH // 2 if kind.name == "pattern" else EACH
        told = {one(kind, number, SEED, folder) for number in range(count)}
        valid = kind.valid or b"ok\nout 5 lamp 1\nok\n"
        assert mutant(kind, 7, SEED, valid) == mutant(kind, 7, SEED, valid)
    assert all(text.startswith(kind.name) for text in told)
    if kind.name not in ("sr", "firmware"):
        assert len(told) > 1  # some are refused and some are not: the mutations go deep enough


def test_the_long_run_counts_and_bounds_what_it_does() -> None:
    """By hand it runs tens of thousands in processes of their own; here one batch of nine."""
    ((done, tally),) = many(len(KINDS), 3)
    assert done == len(KINDS)
    assert tally.failures == []
    assert sum(tally.statuses.values()) == len(KINDS)
    assert 0 < tally.longest_s < 10
