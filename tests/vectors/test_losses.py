"""The supply is lost while a region stands somewhere; what is done then tells what was kept."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.behaviour.sequences import steady
from simfw.engine.simulator import Prepared
from simfw.vectors.build import Rehearsal, find_paths
from simfw.vectors.exposing import Judge
from simfw.vectors.losses import Losses
from simfw.vectors.places import Places
from simfw.vectors.possible import all_faults
from simfw.vectors.sketch import Sketch
from simfw.vectors.whittle import Whittler
from tests.vectors.test_equal import made, region, row

KEPT = "its state is kept over a loss of the supply"
BOX = made({
    "lamp": region("dark", "dark lit",
                   row("lit", "dark", on="a.click", when="lock.open"),
                   row("dark", "lit", on="a.click"), row("dark", "lit", on="both.chord"),
                   lit="lit"),
    "lock": region("open", "open shut", row("shut", "open", on="both.chord"),
                   row("open", "shut", on="both.chord")),
}, buttons={"a": {"debounce": "20 ms"}, "b": {"debounce": "20 ms"}},
    chords={"both": {"buttons": ["a", "b"], "within": "80 ms"}})  # fmt: skip
"""A chord locks a lamp and unlocks it."""


@pytest.fixture(scope="module")
def box() -> Prepared:
    """The box, prepared."""
    return Prepared(BOX)


@pytest.fixture(scope="module")
def losses(box: Prepared) -> Losses:
    """Courses from where the search for paths comes by."""
    system = holding(box.system)
    whittler = Whittler(BOX, system, box.circuit, find_paths(BOX, box))
    return Losses(BOX, system, box.circuit, whittler.places)


@pytest.mark.parametrize("name", ["lamp", "lock", "both", "a.gesture", "b.gesture"])
def test_what_is_kept_over_a_loss_is_told_by_what_is_done_first(
    box: Prepared, losses: Losses, name: str
) -> None:
    """A lock that stays shut, a chord that lasts, a button that counts as pressed: each shows if
    the right thing is the first that is done then.
    """
    system = holding(box.system)
    judge, model = Judge(system, BOX.segments), Rehearsal(box)
    (fault,) = [one for one in all_faults(system) if (one.about, one.words) == (name, KEPT)]
    paths = list(losses.of(name))
    assert 0 < len(paths) < 20
    for path in paths:
        gone, *_ = [act.at_ns for act in path.acts if act.kind == "supply"]
        assert any(act.at_ns > gone for act in path.acts if act.kind == "contact")
        played = model.played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        judge.add(played)
    assert judge.exposed(fault) is not None


def test_no_course_is_made_of_a_place_that_is_not_known(box: Prepared) -> None:
    """Nothing has been noted of any place."""
    system = holding(box.system)
    places = Places(steady(system))
    made_by = Losses(BOX, system, box.circuit, places)
    assert list(made_by.of("lock")) == []
    places.note(Sketch(steady(system), box.circuit, BOX.segments), ())
    assert list(made_by.of("lock")) == []
