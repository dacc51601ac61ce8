"""Settings for the whole suite."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import settings

from tests import sharing

# A busy machine is no reason to fail, and a given commit either passes or does not.
settings.register_profile("simfw", deadline=None, derandomize=True)
settings.load_profile("simfw")

# Laws drawn by the hundred, planted faults, demo gadgets and long lives go again and again through
# lines that other tests reach too. Counting those lines would make the whole suite take half as
# long again.
TESTS = Path(__file__).parent
UNCOUNTED = tuple(
    TESTS / name
    for name in (
        "conform/test_glimmer_firmware.py", "conform/test_ticks.py", "engine/test_learned.py",
        "gallery", "property", "quality", "reference", "reference_sim", "report/test_chips.py",
        "test_examples.py", "test_docs.py",
        "engine/test_clock.py", "life/test_cluster.py", "life/test_life.py", "life/test_loop.py",
        "life/test_sweep.py", "report/test_firmware_tutorial.py", "verify/test_bands.py",
        "verify/test_explaining.py", "verify/test_explaining_rare.py",
        "verify/test_search_against_brute_force.py",
    )
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave what takes long and reaches no line of its own out of the count of covered lines."""
    for item in items:
        if any(item.path == path or path in item.path.parents for path in UNCOUNTED):
            item.add_marker(pytest.mark.no_cover)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Vectors are dear: tests of commands share them, tests of vectors have their own by now."""
    sharing.share()


def pytest_unconfigure(config: pytest.Config) -> None:
    """What was shared goes with the run."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(sharing.FOLDER, ignore_errors=True)
