"""A sequence and the time of its state begin anew together: a firmware may do so with one alone."""

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
from tests.vectors.test_equal import made

S = 1000 * MS
WINK = {"wink": {"steps": ["on for 100 ms", "off for 300 ms"]}}


def lamp(*rows: dict[str, object], **more: object) -> Gadget:
    """A lamp that a press lights, and that winks for 3 s."""
    return made({"lamp": {
        "starts": "dark", "states": {"dark": {}, "lit": {"glow": "wink"}, "late": {"glow": "wink"}},
        "rows": [{"on": "key.press", "from": "dark", "to": "lit"}, *rows,
                 {"after": "3 s", "from": ["lit", "late"], "to": "dark"}]}},
        sequences={**WINK, **more})  # fmt: skip


ANEW = lamp({"on": "key.press", "from": "lit", "to": "lit"})
ON = lamp({"on": "key.press", "from": "lit", "to": "same"})
NEXT = lamp({"on": "key.press", "from": "lit", "to": "late"})


def played(gadget: Gadget) -> dict[str, Fault]:
    """The faults of this kind, by their texts."""
    return {fault.text: fault for fault in all_faults(holding(Prepared(gadget).system))
            if fault.kind == "played"}


def told(gadget: Gadget, fault: Fault, *presses: tuple[int, int]) -> float | None:
    """When presses (from, for, in ms) tell a fault (ms)."""
    prepared = Prepared(gadget)
    judge = Judge(holding(prepared.system), gadget.segments)
    judge.add(Rehearsal(prepared).play(charge=0.5, acts=pressed("key", *presses), ends_ns=9 * S))
    found = judge.exposed(fault)
    return None if found is None else found[1] / MS


@pytest.mark.parametrize(("gadget", "text", "presses", "shows"), [
    # Lit at 1.02 s, on for 100 ms of each 400. Pressed again at 2.17 s: 350 ms into a round.
    (ANEW, "behaviour.lamp.rows[1]: what is played goes on, and begins not anew",
     [(1000, 50), (2150, 50)], 2170),
    # Pressed at 2.27 s, 50 ms into a round: the model is on for 100 ms more, this for 50.
    (ANEW, "behaviour.lamp.rows[1]: what is played goes on, and begins not anew",
     [(1000, 50), (2250, 50)], 2320),
    # Pressed at the very end of a step: both begin a round at 2.22 s.
    (ANEW, "behaviour.lamp.rows[1]: what is played goes on, and begins not anew",
     [(1000, 50), (2200, 50)], None),
    # Another state that plays the same.
    (NEXT, "behaviour.lamp.rows[1]: what is played goes on, and begins not anew",
     [(1000, 50), (2150, 50)], 2170),
    (ON, "behaviour.lamp.rows[1]: what is played begins anew, and no time",
     [(1000, 50), (2150, 50)], 2170),
    # Dark from 4.02 s on, and not from 5.17 s: the next round would begin at 4.22 s.
    (ON, "behaviour.lamp.rows[1]: the time begins anew, and nothing that is played",
     [(1000, 50), (2150, 50)], 4220),
    (ON, "behaviour.lamp.rows[1]: the time begins anew, and nothing that is played",
     [(1000, 50)], None),
])  # fmt: skip
def test_one_alone_begins_anew(gadget: Gadget, text: str, presses: list[tuple[int, int]],
                               shows: float | None) -> None:  # fmt: skip
    """Worked out by hand: a press counts 20 ms after its edge."""
    assert told(gadget, played(gadget)[text], *presses) == shows


def test_a_step_that_ends_as_the_sequence_goes_on_is_still_taken() -> None:
    """Pressed as the lamp goes off, 100 ms into a round at 2.32 s: off all the same, where the
    model is on. A step that was lost would leave it on, and show 100 ms later.
    """
    fault = played(ANEW)["behaviour.lamp.rows[1]: what is played goes on, and begins not anew"]
    assert told(ANEW, fault, (1000, 50), (2300, 50)) == 2320


@pytest.mark.parametrize("gadget", [ANEW, ON, NEXT])
def test_vectors_tell_it_and_no_proof_takes_it_for_none(gadget: Gadget) -> None:
    """Each of them shows, so that none may be called proved."""
    prepared = Prepared(gadget)
    vectors = make_vectors(gadget, prepared.system, prepared)
    told = {fault.text for fault, _ in vectors.exposure.exposed}
    assert set(played(gadget)) <= told
    prover = Prover(holding(prepared.system), gadget.segments)
    assert not any(map(prover.same, played(gadget).values()))


def test_only_what_plays_can_play_on() -> None:
    """A lamp without a sequence has no such fault, nor has one that leaves for another sequence."""
    other = made({"lamp": {
        "starts": "dark", "states": {"dark": {}, "lit": {"glow": "wink"}, "late": {"glow": "blip"}},
        "rows": [{"on": "key.press", "from": "dark", "to": "lit"},
                 {"on": "key.press", "from": "lit", "to": "late"},
                 {"on": "key.press", "from": "late", "to": "dark"}]}},
        sequences={**WINK, "blip": {"steps": ["on for 50 ms", "off for 300 ms"]}})  # fmt: skip
    assert not played(other)
    assert all(len(played(one)) == count for one, count in ((ANEW, 1), (ON, 2), (NEXT, 1)))
