"""Ways that a search side by side finds, gone by hands; and regions that it takes in."""

from __future__ import annotations

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal, find_paths
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge, asks_of, drives_nothing
from simfw.vectors.faults import Fault
from simfw.vectors.whittle import Whittler
from tests.vectors.test_equal import fault_of, made, region, row, told

FIRST = "its time ends before all else in that instant"


def test_a_contact_that_closes_as_the_supply_comes_is_none_that_was_closed_before() -> None:
    """The shortest way to a press begins in the instant of power-up: a held contact gives none."""
    gadget = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                                  lit="lit")})
    prepared, fault = fault_of(gadget, "behaviour.lamp.rows[0]", "never fires")
    whittler = Whittler(gadget, holding(prepared.system), prepared.circuit, ())
    prover = Prover(holding(prepared.system), gadget.segments)
    judge = Judge(holding(prepared.system), gadget.segments)
    (lead,) = [found for found in prover.settle(fault) if found is not None]
    paths = list(whittler.acting.paths(lead, 0.5))
    assert {(path.acts[0].at_ns, path.acts[0].kind) for path in paths} == {(0, "contact")}
    for path in paths:
        judge.add(Rehearsal(prepared).play(charge=0.5, acts=path.acts, ends_ns=path.ends_ns))
    assert judge.exposed(fault) is not None


def held(**lamp: str) -> tuple[Prepared, Fault]:
    """A lamp that a hold puts out, with the time of the hold first in its instant."""
    gadget = made({"lamp": region("lit", "lit dark", row("dark", "lit", on="key.hold"),
                                  row("lit", "dark", on="key.press"), lit="lit", **lamp)},
                  buttons={"key": {"debounce": "20 ms", "hold": "200 ms"}})
    return fault_of(gadget, "buttons.key.hold", FIRST)


def test_with_the_supply_goes_what_a_time_that_ends_first_has_done() -> None:
    """What is kept is what stood before: a hold that ends as the supply goes is none."""
    prepared, fault = held(kept="state")
    assert Prover(holding(prepared.system), prepared.gadget.segments).same(fault)
    assert told(prepared, [fault], 60) == []


RAMP = {"key": {"debounce": "20 ms", "holds": {"ramp": "200 ms", "off": "600 ms"},
                "repeat": "100 ms"}}
DIMMER = made({
    "lamp": region("dark", "dark low high", row("low", "dark", on="key.click"),
                   row("dark", ["low", "high"], on="key.off"),
                   row("high", "low", on="key.repeat"), row("low", "high", on="key.repeat"),
                   lit="high", by={"low": "40 %"}),
}, buttons=RAMP)
"""What is held repeats, and is let go of after that: it repeats in between in any case."""


def test_what_a_way_leaves_out_may_come_all_the_same() -> None:
    """That nothing repeats is a way only as long as nobody is there who repeats."""
    prepared, fault = fault_of(DIMMER, "behaviour.lamp.rows[1]",
                               "is lost behind behaviour.lamp.rows[0]")
    assert Prover(holding(prepared.system), DIMMER.segments).same(fault)
    prepared, fault = fault_of(DIMMER, "behaviour.lamp.rows[1]",
                               "is lost behind behaviour.lamp.rows[2]")
    assert not Prover(holding(prepared.system), DIMMER.segments).same(fault)


def test_a_time_ends_as_what_is_held_repeats() -> None:
    """A lamp goes out in the instant of the first repeat, which would light it for longer."""
    gadget: Gadget = made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on="key.click"),
                       row("lit", "lit", on="key.repeat"), row("dark", "lit", after="5 s"),
                       lit="lit"),
    }, buttons=RAMP)
    prepared = Prepared(gadget)
    whittler = Whittler(gadget, holding(prepared.system), prepared.circuit,
                        find_paths(gadget, prepared))
    (fault,) = [one for one in whittler.left
                if (one.about, one.words) == ("buttons.key.repeat#2", FIRST)]
    met = [one for one, slips in whittler.meetings() if fault in slips]
    model = Rehearsal(prepared)
    assert any(whittler.tells(fault, model.play(charge=one.path.charge, acts=one.path.acts,
                                                ends_ns=one.path.ends_ns + 10**9))
               for one in met if one.event)


def test_a_light_that_is_left_off_is_told_by_that_light() -> None:
    """Where it is the only one, the firmware drives nothing: its events are none the worse."""
    gadget = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                                  lit="lit")})
    _, fault = fault_of(gadget, "lamp.lit", "glow is left off")
    assert drives_nothing(fault.system)
    assert asks_of(fault) == ("out",)
    assert told(Prepared(gadget), [fault], 3) != []


UP_FIRST = made({
    "lamp": region("off", "off dark asked lit", row("dark", "off", on="slide.closed"),
                   row("asked", "dark", on="up.press"), row("dark", "asked", after="0 s"),
                   row("lit", "asked", on="down.press"), row("dark", "lit", on="up.release"),
                   lit="lit"),
}, buttons={"up": {"debounce": "20 ms"}, "down": {"debounce": "20 ms"}},
   toggles={"slide": {"debounce": "20 ms"}})  # fmt: skip


def test_what_others_tell_comes_anywhere_in_an_instant() -> None:
    """Two buttons settle together: a press that is heard behind the other lights no lamp, which
    the searched regions alone do not know.
    """
    prepared, fault = fault_of(UP_FIRST, "buttons.up.debounce#2",
                               "its time ends after all else in that instant")
    assert told(prepared, [fault], 18) != []
    assert not Prover(holding(prepared.system), UP_FIRST.segments).same(fault)
