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
# lines that other tests reach too. Counting makes such a test take more than twice as long.
TESTS = Path(__file__).parent
UNCOUNTED = frozenset((
    "conform/test_glimmer_firmware.py", "conform/test_ticks.py",
    "conform/test_conform.py::test_a_difference_at_a_gauge_sample_above_3_v_is_told",
    "conform/test_conform.py::test_faults_of_a_chord_are_noticed_where_they_can_be",
    "conform/test_specified_firmware.py",
    "engine/test_clock.py", "engine/test_learned.py",
    "gallery", "property", "quality", "reference", "reference_sim",
    "life/test_cluster.py", "life/test_life.py", "life/test_loop.py", "life/test_sweep.py",
    "report/test_chips.py", "report/test_firmware_tutorial.py",
    "report/test_vector_search.py::test_hands_and_the_plug_reach_every_row_that_hears_them",
    "report/test_vector_search.py::test_instants_without_end_are_left_out_of_vectors",
    "report/test_vector_search.py::test_no_hand_is_held_before_a_sensor_that_answers_to_none",
    "report/test_vectors.py::test_the_search_is_a_pure_function",
    "report/test_vectors.py::"
    "test_the_time_of_a_chord_is_tried_with_buttons_let_go_and_pressed_again",
    "stimuli/recording/test_many_wires.py::test_a_hundred_thousand_wires_are_read",
    "test_docs.py", "test_every_key.py", "test_examples.py",
    "verify/test_bands.py", "verify/test_counted.py::test_more_effort_gets_further",
    "verify/test_explaining.py",
    "verify/test_planted.py::test_the_rule_that_one_would_write_is_broken",
    "verify/test_search_against_brute_force.py",
    "verify/test_sets_apart.py::test_sets_searched_apart_reach_what_one_search_reaches",
))  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave what takes long and reaches no line of its own out of the count of covered lines."""
    for item in items:
        path = item.path.relative_to(TESTS)
        names = {parent.as_posix() for parent in (path, *path.parents)}
        names.add(f"{path.as_posix()}::{getattr(item, 'originalname', item.name)}")
        if not UNCOUNTED.isdisjoint(names):
            item.add_marker(pytest.mark.no_cover)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Vectors are dear: tests of commands share them, tests of vectors have their own by now."""
    sharing.share()


def pytest_unconfigure(config: pytest.Config) -> None:
    """What was shared goes with the run."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(sharing.FOLDER, ignore_errors=True)
