"""One state alone that a firmware keeps over a loss of the supply, or alone does not keep."""

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
from simfw.vectors.sketch import Act
from tests.vectors.acts import MS, pressed
from tests.vectors.test_equal import made

S = 1000 * MS


def lamp(**more: str) -> Gadget:
    """A lamp that presses lead through three levels."""
    names = ["dark", "low", "mid", "high"]
    return made({"lamp": {
        "starts": "dark", **more, "states": {"dark": {}, "low": {"glow": "20 %"},
                                             "mid": {"glow": "50 %"}, "high": {"glow": "on"}},
        "rows": [{"on": "key.press", "from": one, "to": other}
                 for one, other in zip(names, [*names[1:], names[0]], strict=True)]}})  # fmt: skip


FORGETS, KEEPS = lamp(), lamp(kept="state")


def alone(gadget: Gadget) -> dict[str, Fault]:
    """The faults of one state, by their texts."""
    return {fault.text: fault for fault in all_faults(holding(Prepared(gadget).system))
            if fault.twist.only}


@pytest.mark.parametrize(("gadget", "text"), [
    (FORGETS, "lamp.mid: this state alone is kept over a loss of the supply"),
    (KEEPS, "lamp.mid: this state alone is lost with the supply"),
])
@pytest.mark.parametrize("presses", [1, 2, 3])
def test_it_shows_only_where_the_supply_is_lost_in_that_state(gadget: Gadget, text: str,
                                                              presses: int) -> None:  # fmt: skip
    """Pressed once the lamp is low, twice mid, thrice high; the supply goes at 5 s, and is back at
    6 s: lit in mid where the model begins dark, or dark where that goes on in mid.
    """
    prepared = Prepared(gadget)
    judge = Judge(holding(prepared.system), gadget.segments)
    acts = [*pressed("key", *((1000 * (one + 1), 100) for one in range(presses))),
            Act(5 * S, "supply", "supply", 0.0), Act(6 * S, "supply", "supply", 1.0)]
    judge.add(Rehearsal(prepared).play(charge=0.5, acts=acts, ends_ns=8 * S))
    found = judge.exposed(alone(gadget)[text])
    assert (None if found is None else found[1]) == (6 * S if presses == 2 else None)


@pytest.mark.parametrize("gadget", [FORGETS, KEEPS])
def test_vectors_lose_the_supply_in_each_state(gadget: Gadget) -> None:
    """Each state but the first has its fault; all are exposed, so that none may be proved."""
    prepared = Prepared(gadget)
    assert len(alone(gadget)) == 3
    vectors = make_vectors(gadget, prepared.system, prepared)
    assert set(alone(gadget)) <= {fault.text for fault, _ in vectors.exposure.exposed}
    prover = Prover(holding(prepared.system), gadget.segments)
    assert not any(map(prover.same, alone(gadget).values()))


def test_of_two_states_there_is_no_single_one() -> None:
    """Where only one state can be kept, the fault of all of them is that."""
    two = made({"lamp": {"starts": "dark", "states": {"dark": {}, "lit": {"glow": "on"}}, "rows": [
        {"on": "key.press", "from": "dark", "to": "lit"},
        {"on": "key.press", "from": "lit", "to": "dark"}]}})
    assert not alone(two)


def test_where_no_state_may_be_kept_unseen_one_alone_is_proved_too() -> None:
    """A press sets the counter before anything goes by it: it may begin anywhere. Where something
    else is kept no more is proved than that one state is as good as another, which nobody tells
    from it: a power-up then begins as no first one does.
    """
    def counter(**more: str) -> Gadget:
        steps = ["one", "two", "three"]
        return made({
            "count": {"starts": "one", "states": {key: {} for key in steps}, "rows": [
                {"on": "key.press", "from": "*", "to": "two", "when": "lamp.dark"}]},
            "lamp": {"starts": "dark", "states": {"dark": {}, "lit": {"glow": "on"}}, **more,
                     "rows": [{"on": "key.press", "from": "dark", "to": "lit"},
                              {"on": "key.release", "from": "lit", "to": "dark",
                               "when": "count.two"}]}})  # fmt: skip

    def proved(gadget: Gadget) -> set[str]:
        prover = Prover(holding(Prepared(gadget).system), gadget.segments)
        return {fault.about for fault in alone(gadget).values() if prover.same(fault)}

    assert proved(counter()) == {"count.two", "count.three"}
    assert proved(counter(kept="state")) == {"count.three"}
