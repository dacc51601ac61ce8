"""Scenarios: reading, building, raw edges, and writing them as text that reads back equal."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import simfw
from simfw.stimuli.scenario import (
    Expect,
    Press,
    Scenario,
    Step,
    Temperature,
    Usb,
    Wave,
    problems_of,
    raw_edges,
    to_toml,
    write_scenario,
)
from simfw.stimuli.scenario_file import ScenarioFile, typed_steps
from simfw.tomlfile import read_toml
from tests.broken import DATA

S = 10**9
MS = 10**6


def test_a_whole_scenario_file_is_read() -> None:
    """The steps of the file become typed values in nanoseconds, metres and shares."""
    scenario = simfw.load_scenario(DATA / "jam-evening.toml")
    assert scenario == Scenario(
        title="An evening of jam making",
        gadget_path=DATA / "larder-lamp.toml",
        charge=0.8,
        lasts_ns=6 * 3600 * S,
        steps=(
            Wave(at_ns=10 * S, sensor="wave", distance_m=0.12, for_ns=300 * MS),
            Expect(at_ns=11 * S, text="lamp.lit.full"),
            Press(at_ns=1500 * S, button="level", for_ns=120 * MS, bounce_ns=3 * MS),
            Expect(at_ns=1501 * S, text="lamp.lit.half"),
            Wave(at_ns=3900 * S, sensor="wave", distance_m=0.12, for_ns=300 * MS),
            Expect(at_ns=3902 * S, text="lamp.dark"),
            Usb(at_ns=3 * 3600 * S, present=True),
            Usb(at_ns=5 * 3600 * S, present=False),
        ),
    )
    assert scenario.gadget is not None
    assert scenario.gadget.head.name == "Larder lamp"
    assert [step.key for step in scenario.steps] == [f"steps[{k}]" for k in range(8)]


def test_steps_of_one_time_keep_file_order() -> None:
    """The order in time is the order of `at`; equal times stay as written."""
    late, first, second = (
        Usb(at_ns=9, present=True),
        Expect(at_ns=5, text="usb"),
        Usb(at_ns=5, present=False),
    )
    scenario = Scenario(charge=1.0, lasts_ns=10, steps=(late, first, second))
    assert scenario.in_order() == (first, second, late)


def test_a_clean_press_has_two_edges() -> None:
    """Closed at `at`, open at `at + for`."""
    assert raw_edges(Press(at_ns=5, button="up", for_ns=7)) == ((5, True), (12, False))


def test_a_bouncing_press_toggles_five_times_at_each_end() -> None:
    """Toggles stand a fifth of the bounce apart and end in the settled level."""
    step = Press(at_ns=100, button="up", for_ns=1000, bounce_ns=50)
    assert raw_edges(step) == (
        (100, True), (110, False), (120, True), (130, False), (140, True),
        (1100, False), (1110, True), (1120, False), (1130, True), (1140, False),
    )  # fmt: skip


presses = st.builds(
    Press,
    at_ns=st.integers(0, 10**15),
    button=st.just("up"),
    for_ns=st.integers(1, 10**12),
    bounce_ns=st.integers(0, 10**9),
)


@given(presses)
def test_raw_edges_alternate_and_never_go_back(step: Press) -> None:
    """Every edge changes the level, times do not fall, and each end settles within its bounce."""
    if step.bounce_ns > step.for_ns:
        return
    edges = raw_edges(step)
    assert [closed for _, closed in edges] == [k % 2 == 0 for k in range(len(edges))]
    times = [time for time, _ in edges]
    assert times == sorted(times)
    half = len(edges) // 2
    assert step.at_ns <= times[half - 1] <= step.at_ns + max(step.bounce_ns - 1, 0)
    assert times[half] == step.at_ns + step.for_ns


texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
times = st.integers(0, 10**16)
spans = st.integers(1, 10**13)
names = texts.filter(str.strip)
steps: st.SearchStrategy[Step] = st.one_of(
    st.builds(Press, at_ns=times, button=names, for_ns=spans, bounce_ns=st.integers(0, 10**8)),
    st.builds(Wave, at_ns=times, sensor=names, distance_m=st.floats(1e-4, 99.0), for_ns=spans),
    st.builds(Usb, at_ns=times, present=st.booleans()),
    st.builds(Temperature, at_ns=times, temperature_c=st.floats(-100, 200)),
    st.builds(Expect, at_ns=times, text=texts),
)
scenarios = st.builds(
    Scenario,
    title=texts,
    gadget_path=st.just(DATA / "larder-lamp.toml"),
    charge=st.just(0.0) | st.floats(1e-9, 1),  # less is refused
    lasts_ns=spans,
    steps=st.lists(steps, max_size=6).map(tuple),
    seed=st.none() | st.integers(0, 10**9),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(scenarios)
def test_what_is_written_reads_back_equal(tmp_path: Path, scenario: Scenario) -> None:
    """Text written for a folder, read from there, is the same scenario to the last bit."""
    path = tmp_path / "witness.toml"
    path.write_text(to_toml(scenario, tmp_path), encoding="utf-8")
    data = read_toml(path).data
    written = ScenarioFile.model_validate(data)
    assert (tmp_path / written.gadget).resolve() == scenario.gadget_path.resolve()
    assert (written.title, written.charge.share, written.lasts, written.seed) == (
        scenario.title,
        scenario.charge,
        scenario.lasts_ns,
        scenario.seed,
    )
    assert typed_steps(written) == scenario.steps


def test_a_scenario_file_reads_back_equal_from_another_folder(tmp_path: Path) -> None:
    """The gadget's path is written anew for the folder that the file goes to."""
    scenario = simfw.load_scenario(DATA / "jam-evening.toml")
    (tmp_path / "found").mkdir()
    write_scenario(scenario, tmp_path / "found" / "witness.toml")
    back = simfw.load_scenario(tmp_path / "found" / "witness.toml")
    assert back == scenario
    assert list((tmp_path / "found").iterdir()) == [tmp_path / "found" / "witness.toml"]


def test_the_text_of_a_scenario_is_fit_to_be_read() -> None:
    """One step a line, times in their largest units."""
    scenario = simfw.load_scenario(DATA / "jam-evening.toml")
    assert to_toml(scenario, DATA) == (
        'title  = "An evening of jam making"\n'
        'gadget = "larder-lamp.toml"\n'
        'charge = "80 %"\n'
        'lasts  = "6 h"\n'
        "steps = [\n"
        '  { at = "10 s", wave = "wave", distance = "12 cm", for = "300 ms" },\n'
        '  { at = "11 s", expect = "lamp.lit.full" },\n'
        '  { at = "25 min", press = "level", for = "120 ms", bounce = "3 ms" },\n'
        '  { at = "25 min 1 s", expect = "lamp.lit.half" },\n'
        '  { at = "1 h 5 min", wave = "wave", distance = "12 cm", for = "300 ms" },\n'
        '  { at = "1 h 5 min 2 s", expect = "lamp.dark" },\n'
        '  { at = "3 h", usb = true },\n'
        '  { at = "5 h", usb = false },\n'
        "]\n"
    )


def test_a_temperature_step_is_read_and_written() -> None:
    """The temperature is in degrees Celsius on both sides."""
    step = Temperature(at_ns=3 * S, temperature_c=-7.5)
    scenario = Scenario(charge=1.0, lasts_ns=4 * S, steps=(step,), seed=7)
    assert '{ at = "3 s", temperature = "-7.5 degC" },\n' in to_toml(scenario)
    assert "seed   = 7\n" in to_toml(scenario)


def test_a_step_at_the_very_end_is_legal() -> None:
    """The end belongs to a continuation, and an expectation there reads the state before it."""
    scenario = Scenario(charge=1.0, lasts_ns=5, steps=(Expect(at_ns=5, text="usb"),))
    assert problems_of(scenario) == []


def test_a_wave_may_follow_another_without_a_gap() -> None:
    """A hand may come nearer: the next distance begins when the last one ends."""
    near = Wave(at_ns=5, sensor="wave", distance_m=0.1, for_ns=5)
    far = Wave(at_ns=0, sensor="wave", distance_m=0.3, for_ns=5)
    assert problems_of(Scenario(charge=1.0, lasts_ns=20, steps=(near, far))) == []


@pytest.mark.parametrize(
    ("scenario", "message"),
    [
        (
            Scenario(charge=1.5, lasts_ns=5),
            "charge: a charge is a share. Allowed: 0 % to 100 %.",
        ),
        (
            Scenario(charge=float("nan"), lasts_ns=5),
            "charge: a charge is a share. Allowed: 0 % to 100 %.",
        ),
        (Scenario(charge=1.0, lasts_ns=0), "lasts: nothing would run. Allowed: more than zero."),
        (
            Scenario(charge=1.0, lasts_ns=5, steps=(Usb(at_ns=-1, present=True),)),
            "steps[0].at: a time before the start. Allowed: 0 s or later.",
        ),
        (
            Scenario(charge=1.0, lasts_ns=5, steps=(Usb(at_ns=6, present=True),)),
            "steps[0].at: this is after the end of the scenario. Allowed: at most lasts (5 ns).",
        ),
        (
            Scenario(charge=1.0, lasts_ns=5, steps=(Press(at_ns=0, button="up", for_ns=0),)),
            "steps[0].for: a time of zero. Allowed: more than zero.",
        ),
        (
            Scenario(
                charge=1.0,
                lasts_ns=5,
                steps=(Wave(at_ns=0, sensor="w", distance_m=0.0, for_ns=2),),
            ),
            "steps[0].distance: no distance at all. Allowed: more than zero.",
        ),
        (
            Scenario(
                charge=1.0,
                lasts_ns=50,
                steps=(
                    Press(at_ns=0, button="up", for_ns=20),
                    Press(at_ns=5, button="up", for_ns=2),
                    Press(at_ns=19, button="up", for_ns=2),
                    Press(at_ns=0, button="down", for_ns=2),
                ),
            ),
            "steps[1].at: the button is still held or bouncing from steps[0]. "
            "Allowed: 20 ns or later.\n"
            "steps[2].at: the button is still held or bouncing from steps[0]. "
            "Allowed: 20 ns or later.",
        ),
    ],
)
def test_scenarios_built_in_python_are_checked_alike(scenario: Scenario, message: str) -> None:
    """`problems_of` tells what reading a file would."""
    assert "\n".join(map(str, problems_of(scenario))) == message


def test_names_are_checked_where_the_gadget_is_known() -> None:
    """A scenario built with its gadget is held against it."""
    gadget = simfw.load_gadget(DATA / "larder-lamp.toml")
    scenario = Scenario(
        charge=1.0,
        lasts_ns=5,
        gadget=gadget,
        steps=(Press(at_ns=0, button="powr", for_ns=2), Expect(at_ns=1, text="lamp.of")),
    )
    assert [problem.key for problem in problems_of(scenario)] == [
        "steps[0].press",
        "steps[1].expect",
    ]
