"""Settings for the whole suite."""

from __future__ import annotations

import contextlib
import gc
import os
import shutil
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

from tests import sharing

# A busy machine is no reason to fail, and a given commit either passes or does not.
settings.register_profile("simfw", deadline=None, derandomize=True)
settings.load_profile("simfw")

os.register_at_fork(after_in_child=sharing.uncounted_from_here)

# Laws drawn by the hundred, planted faults, demo gadgets and long lives go again and again through
# lines that other tests reach too. Counting makes such a test take more than twice as long.
TESTS = Path(__file__).parent
UNCOUNTED = frozenset((
    "conform/test_egg_and_shed_firmware.py",
    "conform/test_glimmer_firmware.py", "conform/test_larder_firmware.py", "conform/test_ticks.py",
    "conform/test_conform.py::test_a_difference_at_a_gauge_sample_above_3_v_is_told",
    "conform/test_conform.py::test_faults_of_a_chord_are_noticed_where_they_can_be",
    "conform/test_conform.py::test_most_faults_are_noticed_or_proved_to_change_nothing",
    "conform/test_specified_firmware.py",
    "engine/test_clock.py", "engine/test_learned.py",
    "benchlog/test_jumping.py::test_what_was_recorded_of_a_sensor_does_not_exclude_the_truth",
    "benchlog/test_next.py::test_a_simulated_bench_plays_to_the_end",
    "benchlog/test_reference.py",
    "fuzz", "gallery", "property", "published", "quality", "reference", "reference_sim",
    "life/test_cluster.py", "life/test_life.py", "life/test_loop.py", "life/test_sweep.py",
    "life/test_memory.py::test_years_of_switching_are_lived_the_same_compiled_and_plain",
    "life/test_held.py::"
    "test_a_charge_that_a_resting_load_holds_up_has_no_time_and_says_where_it_stands",
    "panel/test_bench.py::test_what_is_done_in_frames_is_one_run_of_its_scenario",
    "report/test_chips.py", "report/test_firmware_tutorial.py",
    "report/test_vector_search.py::test_hands_and_the_plug_reach_every_row_that_hears_them",
    "report/test_vector_search.py::test_instants_without_end_are_left_out_of_vectors",
    "report/test_vector_search.py::test_no_hand_is_held_before_a_sensor_that_answers_to_none",
    "report/test_vectors.py::test_the_search_is_a_pure_function",
    "report/test_vectors.py::test_what_a_vector_exposes_is_never_proved_to_change_nothing",
    "stimuli/recording/test_many_wires.py::test_a_hundred_thousand_wires_are_read",
    "test_docs.py", "test_every_key.py", "test_examples.py", "test_features.py",
    "test_one_answer.py", "test_setting.py::test_findings_that_come_or_go_are_told",
    "vectors/test_company.py::test_a_memory_that_something_else_empties_is_a_fault_that_vectors_tell",
    "vectors/test_company.py::"
    "test_the_vectors_show_what_is_done_in_each_state_of_cell_and_charger",
    "vectors/test_equal.py::test_no_fault_that_is_proved_the_same_is_told_by_random_play",
    "vectors/test_letting_go.py::test_what_is_exposed_is_exposed_by_the_vector_alone",
    "verify/test_bands.py", "verify/test_check.py::test_rules_of_the_how_to_page_can_be_checked",
    "verify/test_coincide.py::"
    "test_leaving_out_what_may_come_one_after_another_leaves_out_no_state",
    "verify/test_counted.py::test_more_effort_gets_further",
    "verify/test_explaining.py",
    "verify/test_explaining_rare.py::test_a_row_that_nobody_wrote_is_proposed",
    "verify/test_gestures.py::"
    "test_a_long_press_and_then_a_hand_is_found_at_the_usual_work",
    "verify/test_letting_go.py::test_every_combination_that_runs_come_to_is_one_of_the_search",
    "verify/test_letting_go.py::test_rules_on_outputs_inputs_and_times_are_decided_too",
    "verify/test_planted.py::test_the_rule_that_one_would_write_is_broken",
    "verify/test_readings.py::test_random_runs_use_hands_and_the_plug",
    "verify/test_replay.py::test_the_eleven_real_captures_agree",
    "verify/test_search_against_brute_force.py",
    "verify/test_sets_apart.py::test_sets_searched_apart_reach_what_one_search_reaches",
    "verify/test_timings.py::test_of_a_blinker_with_one_wrong_dwell_that_dwell_is_named",
    "verify/test_timings.py::test_what_an_instant_rests_on_is_the_same_folded_and_not",
))  # fmt: skip


def _left_out(item: pytest.Item) -> bool:
    """Whether its whole file, or a folder that the file is in, is not counted."""
    path = item.path.relative_to(TESTS)
    return not UNCOUNTED.isdisjoint(parent.as_posix() for parent in (path, *path.parents))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave what takes long and reaches no line of its own out of the count of covered lines."""
    for item in items:
        name = getattr(item, "originalname", item.name)
        if f"{item.path.relative_to(TESTS).as_posix()}::{name}" in UNCOUNTED or _left_out(item):
            item.add_marker(pytest.mark.no_cover)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None, object, object]:
    """What only such tests are set up with is not counted either."""
    with sharing.uncounted() if _left_out(item) else contextlib.nullcontext():
        return (yield)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Vectors are dear: tests of commands share them, tests of vectors have their own by now."""
    sharing.share()
    # What stands now stays to the end, and little of what is made is a cycle: looking for cycles at
    # every 700 new objects costs some 8 % where vectors are made.
    gc.freeze()
    gc.set_threshold(50_000, 10, 10)


def pytest_unconfigure(config: pytest.Config) -> None:
    """What was shared goes with the run."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(sharing.FOLDER, ignore_errors=True)
