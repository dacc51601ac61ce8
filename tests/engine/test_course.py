"""A repetition followed from another charge is the repetition itself."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from simfw.engine import repeat
from simfw.engine.course import Course
from simfw.engine.repeat import repeat_life
from simfw.engine.simulation import Simulation
from simfw.engine.simulator import Prepared, simulate
from simfw.loading import load_gadget, load_scenario
from simfw.stimuli.scenario import Press, Scenario, write_scenario
from tests.engine.bench import LARDER_LAMP, MS, ROOT, S

LAMP = load_gadget(LARDER_LAMP)
TEN_SECONDS = Scenario(
    gadget_path=LARDER_LAMP, gadget=LAMP, charge=0.8, lasts_ns=10 * S,
    steps=(Press(at_ns=S, button="power", for_ns=150 * MS),
           Press(at_ns=6 * S, button="power", for_ns=150 * MS)),
)
GALLERY = sorted(
    path for path in (ROOT / "tests" / "gallery").glob("*/*.toml")
    if path.name not in ("gadget.toml", "expected.toml") and "lasts" in path.read_text()
)


def followed(scenario: Scenario, charges: list[float]) -> int:
    """Hold each course that can be followed against the run itself; return how many could."""
    assert scenario.gadget is not None
    prepared = Prepared(scenario.gadget).without_rules()
    courses: list[Course] = []
    count = 0
    for charge in charges:
        course = Course()
        simulation = Simulation(
            prepared, replace(scenario, charge=charge), 0, True, False, (), None, course=course
        )
        simulation.go()
        for known in courses:
            end = known.follow(charge, lambda *_: None)
            if end is not None:
                assert end == pytest.approx(simulation.plant.charge, rel=1e-12, abs=1e-15)
                count += 1
        if course.usable:
            courses.append(course)
    return count


def test_a_course_followed_ends_where_the_run_ends() -> None:
    """From forty charges of the lamp, by every course that was seen before."""
    assert followed(TEN_SECONDS, [0.05 + 0.0237 * n for n in range(40)]) > 20


@pytest.mark.parametrize("path", GALLERY, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_courses_of_the_gallery_hold(path: Path) -> None:
    """The first ten seconds of every scenario, from eight charges."""
    scenario = load_scenario(path)
    followed(replace(scenario, lasts_ns=min(scenario.lasts_ns, 10 * S)),
             [0.2 + 0.093 * n for n in range(8)])


def test_a_course_ends_where_an_answer_turns_over() -> None:
    """At nine tenths five bars are lit, at three tenths two: that is another course."""
    prepared = Prepared(LAMP).without_rules()
    course = Course()
    Simulation(prepared, replace(TEN_SECONDS, charge=0.9), 0, True, False, (), None,
               course=course).go()
    assert course.usable
    assert course.follow(0.9, lambda *_: None) is not None
    assert course.follow(0.3, lambda *_: None) is None


def test_beyond_a_charge_at_which_an_answer_turns_over_none_is_followed() -> None:
    """What is known to part does, from every charge: of two charges the higher one stays so."""
    prepared = Prepared(LAMP).without_rules()

    def gone() -> Course:
        course = Course(0.6)
        Simulation(prepared, replace(TEN_SECONDS, charge=0.6), 0, True, False, (), None,
                   course=course).go()
        return course

    known, tried = gone(), [0.013 * n for n in range(1, 76)]
    assert not any(known.parts(charge) for charge in tried)
    parting = [charge for charge in tried if gone().follow(charge, lambda *_: None) is None]
    nearest = (max(one for one in parting if one < 0.6), min(one for one in parting if one > 0.6))
    for charge in nearest:
        assert known.follow(charge, lambda *_: None) is None
    assert [charge for charge in tried if known.parts(charge)] == parting


def test_a_cell_that_is_empty_from_the_start_is_no_course() -> None:
    """Below the cut-off nothing powers up: followed, it would be taken for a life that goes on."""
    course = Course()
    steps = load_scenario(ROOT / "scenarios" / "cellar-steps" / "each-in-turn.toml")
    assert steps.gadget is not None
    simulation = Simulation(
        Prepared(steps.gadget).without_rules(), replace(steps, charge=0.01, lasts_ns=S), 0, True,
        False, (), None, course=course,
    )
    simulation.go()
    assert simulation.empty_at == 0
    assert not course.usable


def test_few_of_the_repetitions_of_a_life_are_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """A life with its range asks for some 230 repetitions; most are followed."""
    made: list[float] = []
    plain = repeat.Simulation.__init__

    def counted(self: Simulation, prepared: Prepared, scenario: Scenario, *rest: object,
                **more: object) -> None:
        made.append(scenario.charge)
        plain(self, prepared, scenario, *rest, **more)  # type: ignore[arg-type]

    run = simulate(LAMP, TEN_SECONDS)
    monkeypatch.setattr(repeat.Simulation, "__init__", counted)
    assert repeat_life(run, ranges=True).low_days is not None
    assert len(made) < 120


def test_a_plain_run_loads_no_compiler_and_draws_nothing(tmp_path: Path) -> None:
    """`simfw run` of a scenario imports neither the compiler nor what draws or makes tests."""
    path = tmp_path / "ten.toml"
    write_scenario(TEN_SECONDS, path)
    script = (
        "import sys\nfrom simfw.cli import main\n"
        f"main(['run', {str(path)!r}])\n"
        "print([n for n in ('numba', 'matplotlib', 'hypothesis', 'scipy', 'simfw.report.plots')"
        " if n in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True,
                          check=True, cwd=ROOT)
    assert done.stdout.splitlines()[-1] == "[]"


def test_nothing_is_looked_through_at_the_end_of_the_command_line() -> None:
    """A program that ends looks for no rings in what it has made: that took a tenth of a short run.
    Before that rings are looked for as ever.
    """
    script = (
        "import atexit, gc, sys\nfrom simfw.__main__ import start\n"
        "atexit.register(lambda: print(gc.get_freeze_count() > 0, gc.isenabled()))\n"
        "sys.argv = ['simfw', '--version']\nstart()\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True,
                          check=True, cwd=ROOT)
    assert done.stdout.splitlines()[-1] == "True True"
