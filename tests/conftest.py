"""Settings for the whole suite."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

from simfw.behaviour.region import System
from simfw.conform import driving
from simfw.engine.prepared import Prepared
from simfw.gadget.model import Gadget
from simfw.report.vectors import VectorSet, make_vectors

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
        "gallery", "property", "quality", "reference", "test_examples.py", "test_docs.py",
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


# Vectors are a pure function of the gadget, and dear: tests that drive firmwares share them. Tests
# of the vectors themselves make their own.
_VECTORS: dict[str, VectorSet] = {}


def _shared_vectors(gadget: Gadget, system: System, prepared: Prepared | None = None) -> VectorSet:
    key = gadget.model_dump_json()
    if key not in _VECTORS:
        _VECTORS[key] = make_vectors(gadget, system, prepared)
    return _VECTORS[key]


driving.make_vectors = _shared_vectors
