"""An event that comes as a long time ends is heard wherever its region may stand by then."""

from __future__ import annotations

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors import find_paths
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.phases import Phases
from simfw.vectors.possible import all_faults
from tests.vectors.test_equal import made, region, row

STEPS = "one two three four"


def playing(begun: str, *again: dict[str, object], on: str = "key.press", **parts: object
            ) -> Gadget:  # fmt: skip
    """A light that goes round in four steps until a session is over."""
    ring = [row(to, source, after="130 ms")
            for source, to in zip(STEPS.split(), (*STEPS.split()[1:], "one"), strict=True)]
    return made({
        "light": region("still" if begun == "still" else "one", f"still {STEPS}",
                        row("one", "still", on=on),
                        row("still", [*STEPS.split()], on="over"), *ring,
                        by={"one": "20 %", "two": "40 %", "three": "60 %", "four": "on"}),
        "session": region("none", "none running", row("running", "none", on=on), *again,
                          row("none", "running", after="40 s", emit="over")),
    }, **parts)  # fmt: skip


def told(gadget: Gadget) -> set[str]:
    """The faults of the row that ends it, of one state or behind one row, that the courses tell."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    phases, paths = Phases(gadget, system, prepared.circuit), find_paths(gadget, prepared)
    model, found = Rehearsal(prepared), set[str]()
    for fault in all_faults(system):
        if fault.about != "behaviour.light.rows[1]" or fault.kind not in ("source", "follow"):
            continue
        for path in phases.of(fault, paths):
            played = model.played(path.charge, path.acts, path.ends_ns)
            assert played is not None
            judge = Judge(system, gadget.segments)
            judge.add(played)
            if judge.exposed(fault) is not None:
                found.add(fault.words)
    return found


STATES = {f"does not hear it in {name}" for name in STEPS.split()}
BEHIND = {f"is lost behind behaviour.light.rows[{number}]" for number in (2, 3, 4, 5)}


def test_a_time_begun_anew_ends_in_every_step_of_what_goes_round() -> None:
    """A second press, as much later as it takes."""
    anew = row("running", "running", on="key.press")
    assert told(playing("still", anew)) >= STATES | BEHIND


def test_what_runs_by_itself_is_met_in_every_step_by_doing_all_later() -> None:
    """The light runs from power-up, and the session cannot be begun anew."""
    assert told(playing("one")) >= STATES | BEHIND


def test_steps_that_begin_with_the_time_are_met_in_one_state_alone() -> None:
    """Light and session begin together and nothing begins either anew: no course is made up."""
    assert not told(playing("still")) - {
        words for words in STATES | BEHIND if words.endswith(("four", "three", "[4]", "[5]"))}


def test_what_a_slide_begins_ends_in_every_step() -> None:
    """A toggle that is moved to and fro begins it anew, and settles first."""
    anew = row("running", "running", on="slide.closed")
    slide = {"buttons": {}, "toggles": {"slide": {"debounce": "20 ms"}}}
    assert told(playing("one", anew, on="slide.closed", **slide)) >= STATES | BEHIND
