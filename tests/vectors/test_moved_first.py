"""A contact that moves in the very instant of power-up: a firmware may take it for still."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors import make_vectors
from simfw.vectors.build import Rehearsal
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import Fault
from simfw.vectors.possible import all_faults
from tests.vectors.acts import MS, pressed
from tests.vectors.test_equal import made, region, row

S = 1000 * MS
LAMP = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                            row("dark", "lit", on="key.press"), lit="lit")})
"""A press lights a lamp, and puts it out."""

BOX = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="lid.closed"),
                           row("dark", "lit", on="lid.opened"), lit="lit")},
           toggles={"lid": {"debounce": "30 ms"}})
"""A lid that is open at rest: from power-up on it is watched until it has settled."""


def unseen(gadget: Gadget, name: str) -> Fault:
    """The fault about one contact."""
    (fault,) = (one for one in all_faults(holding(Prepared(gadget).system))
                if one.text == f"{name}: moves in that instant, and is not noticed")
    return fault


@pytest.mark.parametrize(("at", "shows"), [(0, 20 * MS), (1, None)])
def test_a_press_at_power_up_is_not_noticed(at: int, shows: int | None) -> None:
    """Pressed as the supply comes, the model is lit 20 ms later; a press 1 ms later both see."""
    prepared = Prepared(LAMP)
    judge = Judge(holding(prepared.system), LAMP.segments)
    judge.add(Rehearsal(prepared).play(charge=0.5, acts=pressed("key", (at, 100)), ends_ns=S))
    found = judge.exposed(unseen(LAMP, "key"))
    assert (None if found is None else found[1]) == shows


def test_a_vector_moves_the_contact_then() -> None:
    """It is one that a scenario can be: hands press as the supply comes."""
    prepared = Prepared(LAMP)
    vectors = make_vectors(LAMP, prepared.system, prepared)
    (name,) = (name for fault, name in vectors.exposure.exposed
               if fault.text == unseen(LAMP, "key").text)
    (vector,) = (one for one in vectors.vectors if one.name == name)
    assert vector.acts[0].at_ns == 0
    assert vector.acts[0].kind == "contact"


def test_it_is_proved_only_where_the_edge_begins_anew_what_has_just_begun() -> None:
    """The contact of a toggle is not settled at power-up, and its time begins there: an edge in
    that instant begins it once more. A key is still there, and a press of it would be lost.
    """
    def proved(gadget: Gadget, name: str) -> bool:
        return Prover(holding(Prepared(gadget).system), gadget.segments).same(unseen(gadget, name))

    assert proved(BOX, "lid")
    assert not proved(LAMP, "key")
