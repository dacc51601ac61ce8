"""Two contacts that move in one instant: a firmware may lose the edge of one of them."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.vectors import make_vectors
from simfw.vectors.build import Rehearsal
from simfw.vectors.contacts import Contacts
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.possible import all_faults
from tests.vectors.acts import MS, pressed
from tests.vectors.test_equal import made, region, row

S = 1000 * MS
TWO = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                   row("dark", "lit", on="key.press"), lit="lit"),
    "horn": region("still", "still loud", row("loud", "still", on="pad.press"),
                   row("still", "loud", on="pad.release"), lit="loud", what="buzz"),
}, buttons={"key": {"debounce": "20 ms"}, "pad": {"debounce": "20 ms"}})
"""A key for a lamp, and another one that sounds while it is pressed."""


@pytest.mark.parametrize(("name", "at", "shows"), [
    ("key", 1000, 1020), ("pad", 1000, 1020), ("key", 1001, None), ("pad", 1001, None)])
def test_the_edge_of_one_is_lost_where_the_other_moves_too(name: str, at: int,
                                                           shows: int | None) -> None:  # fmt: skip
    """Both pressed at 1 s: either lamp or horn stays off. A millisecond apart all is as it should
    be.
    """
    prepared = Prepared(TWO)
    (fault,) = (one for one in all_faults(holding(prepared.system)) if one.twist.met == name)
    assert fault.words == "its edge is lost where another contact moves in the same instant"
    judge = Judge(holding(prepared.system), TWO.segments)
    acts = sorted([*pressed("key", (1000, 300)), *pressed("pad", (at, 400))],
                  key=lambda act: act.at_ns)
    judge.add(Rehearsal(prepared).play(charge=0.5, acts=acts, ends_ns=3 * S))
    found = judge.exposed(fault)
    assert (None if found is None else found[1] // MS) == shows


def test_vectors_for_the_host_move_two_at_once() -> None:
    """Both faults are exposed, so that neither may be proved; no bench is held to an instant."""
    prepared = Prepared(TWO)
    mine = [one for one in all_faults(holding(prepared.system)) if one.kind == "met"]
    vectors = make_vectors(TWO, prepared.system, prepared)
    names = {name for fault, name in vectors.exposure.exposed if fault.kind == "met"}
    assert sum(fault.kind == "met" for fault, _ in vectors.exposure.exposed) == len(mine) == 2
    assert all(one.for_host for one in vectors.vectors if one.name in names)
    prover = Prover(holding(prepared.system), TWO.segments)
    assert not any(map(prover.same, mine))


def test_where_there_is_one_contact_no_other_moves() -> None:
    """No such fault is made."""
    one = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"), lit="lit")})
    assert not [fault for fault in all_faults(holding(Prepared(one).system)) if fault.twist.met]


def test_a_button_is_tapped_behind_an_edge_that_was_lost() -> None:
    """The lamp goes out as the lid is opened, whether the key is let go of or not: only the next
    press is not heard.
    """
    lamp = made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press", when="lid.on"),
                       row("dark", "lit", on="lid.opened"), lit="lit"),
    }, toggles={"lid": {"starts": "on", "debounce": "20 ms"}})
    prepared = Prepared(lamp)
    system = holding(prepared.system)
    (fault,) = (one for one in all_faults(system) if one.twist.met == "key")
    judge = Judge(system, lamp.segments)
    for path in Contacts(lamp, system, prepared.circuit).together("key"):
        judge.add(Rehearsal(prepared).play(charge=0.5, acts=path.acts, ends_ns=path.ends_ns))
    assert judge.exposed(fault) is not None
