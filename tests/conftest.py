"""Settings for the whole suite."""

from __future__ import annotations

import gc
import os
import shutil
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

from tests import counting, sharing

# A busy machine is no reason to fail, and a given commit either passes or does not.
settings.register_profile("simfw", deadline=None, derandomize=True)
settings.load_profile("simfw")

os.register_at_fork(after_in_child=counting.uncounted_from_here)

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
    "fuzz", "gallery/test_gallery.py", "property", "published", "quality", "reference",
    "reference_sim", "life/test_life.py", "life/test_loop.py", "life/test_sweep.py",
    "life/test_memory.py::test_years_of_switching_are_lived_the_same_compiled_and_plain",
    "life/test_held.py::"
    "test_a_charge_that_a_resting_load_holds_up_has_no_time_and_says_where_it_stands",
    "panel/test_bench.py::test_what_is_done_in_frames_is_one_run_of_its_scenario",
    "report/test_firmware_tutorial.py",
    "stimuli/recording/test_many_wires.py::test_a_hundred_thousand_wires_are_read",
    "test_every_key.py", "test_features.py", "test_one_answer.py",
    "test_setting.py::test_findings_that_come_or_go_are_told",
    "verify/test_bands.py", "verify/test_check.py::test_rules_of_the_how_to_page_can_be_checked",
    "verify/test_coincide.py::"
    "test_leaving_out_what_may_come_one_after_another_leaves_out_no_state",
    "verify/test_counted.py::test_more_effort_gets_further",
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
    with counting.uncounted() if _left_out(item) else counting.while_new():
        return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, object, object]:
    """What takes long is counted while it comes to new lines."""
    with counting.while_new():
        return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None, object, object]:
    """So is what is done behind it."""
    with counting.while_new():
        return (yield)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Vectors are dear: tests of commands share them, tests of vectors have their own by now."""
    sharing.share()
    counting.begin()
    # What stands now stays to the end, and little of what is made is a cycle: looking for cycles at
    # every 700 new objects costs some 8 % where vectors are made.
    gc.freeze()
    gc.set_threshold(50_000, 10, 10)


def pytest_unconfigure(config: pytest.Config) -> None:
    """What was shared goes with the run."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(sharing.FOLDER, ignore_errors=True)
