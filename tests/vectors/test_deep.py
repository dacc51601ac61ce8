"""Faults that lie behind several regions: what leads there is followed, not tried at random."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.guide import Guide
from simfw.vectors.telling import Teller
from tests.vectors.test_equal import fault_of, made, region, row
from tests.vectors.test_telling import ROOT, judged, tapped

MOST_INSTANTS = 2_500

DIMMED = made({
    "torch": region("dark", "dark lit", row("lit", "dark", on="key.click"),
                    row("dark", "lit", on="key.click"), by={"lit": "level"}),
    "turn": region("up", "up down", row("down", "up", on="level.end"),
                   row("up", "down", on="level.end")),
}, buttons={"key": {"debounce": "20 ms", "hold": "200 ms", "repeat": "150 ms"}},
   dials={"level": {"values": ["20 %", "60 %", "100 %"], "starts": 1,
                    "rows": [{"on": "key.repeat", "step": 1, "when": "torch.lit and turn.up"},
                             {"on": "key.repeat", "step": -1,
                              "when": "torch.lit and turn.down"}]}})  # fmt: skip
"""A torch whose key, held, turns it up, and down from the end on."""


@pytest.mark.parametrize(("about", "words"), [
    ("turn", "its state is kept over a loss of the supply"),  # read by guards of the dial alone
    ("dials.level.rows[0]#3", "`torch.lit` is dropped"),  # at the end of the dial, and dark
    ("dials.level.rows[1]#1", "`torch.lit` is dropped"),
    ("dials.level.rows[1]#1", "its guard is dropped"),
    ("dials.level.rows[1]#2", "`torch.lit` is dropped"),
])  # fmt: skip
def test_a_dial_is_turned_and_the_torch_put_out_before_it_shows(about: str, words: str) -> None:
    """Lit, held until the dial has come to its end, dark, held again, lit, and held."""
    prepared, fault = fault_of(DIMMED, about, words)
    teller = Teller(DIMMED, prepared.system, prepared.circuit, DIMMED.segments)
    path = teller.tell(fault, Guide(prepared.system, fault), [ROOT], MOST_INSTANTS)
    assert path is not None
    assert judged(prepared, fault, path) != [None]


HEARD = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.click"),
                   row("dark", "lit", on="key.click"), lit="lit"),
    "count": region("none", "none one", row("one", "none", on="key.click", emit="odd"),
                    row("none", "one", on="key.click", emit="even")),
    "ear": region("on", "on off", row("same", "on", on="odd"), row("same", "on", on="even")),
})  # fmt: skip
"""A lamp beside which clicks are counted: only events tell."""


def test_what_only_an_event_shows_is_heard_and_not_exposed() -> None:
    """A count that never goes on: no output differs, an event does. A lamp that does not light is
    both.
    """
    for about, exposed in (("behaviour.count.rows[0]", False), ("behaviour.lamp.rows[0]", True)):
        prepared, fault = fault_of(HEARD, about, "never fires")
        path = tapped((1000, 50), (2000, 50))
        judge = Judge(holding(prepared.system), HEARD.segments)
        judge.add(Rehearsal(prepared).play(charge=0.5, acts=path.acts, ends_ns=path.ends_ns,
                                           whole=False))
        assert (judge.exposed(fault) is not None) is exposed
        assert judge.heard(fault) is not exposed
        assert judge.woken(fault) is None
