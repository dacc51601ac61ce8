"""A region that is set before anything goes by it, and a waking beside another one."""

from __future__ import annotations

from typing import Any

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.faults import Fault
from simfw.vectors.possible import all_faults
from simfw.vectors.unlooked import not_looked_at
from tests.vectors.test_equal import made, region, row, told

FADE = {"fade": {"values": ["100 %", "60 %", "20 %"],
                 "rows": [{"on": "darker", "step": 1}, {"on": "key.press", "to": 0}]}}
CLOCK = region("home", "home gone", row("home", "home", after="330 ms", emit="one"))
LATE = region("home", "home gone", row("home", "home", after="330 ms", emit="darker"))
BELL = region("quiet", "quiet rings", row("rings", "quiet", on="fade.end"), lit="rings",
              what="buzz")
ASKS = region("quiet", "quiet rings", row("rings", "quiet", on="key.press", when="house.fading"),
              row("quiet", "rings", on="key.release", when="glow > 0.5"), lit="rings", what="buzz")


def house(*more: dict[str, Any], **changed: Any) -> dict[str, Any]:
    """A lamp that fades from the moment on in which the key sets how bright it is."""
    return region("off", "off fading", row("fading", "off", on="key.press"),
                  row("off", "fading", on="key.release"),
                  row("fading", "fading", after="100 ms", emit="darker"), *more,
                  by={"fading": "fade"}, **changed)


def of_fade(gadget: Gadget) -> tuple[Prepared, list[Fault]]:
    """The faults by which the dial begins elsewhere."""
    prepared = Prepared(gadget)
    return prepared, [fault for fault in all_faults(holding(prepared.system))
                      if fault.about == "fade" and fault.kind in ("starts", "kept")]


@pytest.mark.parametrize(("behaviour", "said"), [
    pytest.param({"house": house()}, True, id="set as it is lit"),
    pytest.param({"clock": CLOCK, "house": house(row("fading", "off", on="one"))}, False,
                 id="lit without being set"),
    pytest.param({"house": house(kept="state")}, False, id="lit as it was left"),
    pytest.param({"clock": LATE, "house": house(), "bell": BELL}, False, id="what it tells"),
])  # fmt: skip
def test_where_a_dial_begins_is_nobodys_business_only_if_it_is_set_in_time(
    behaviour: dict[str, Any], said: bool,
) -> None:
    """Each premise in a gadget in which it does not hold."""
    prepared, faults = of_fade(made(behaviour, dials=FADE))
    assert len(faults) == 3
    system = holding(prepared.system)
    assert all(not_looked_at(system, fault) for fault in faults) is said
    assert any(not_looked_at(system, fault) for fault in faults) is said
    assert (told(prepared, faults, 30, "wake") == []) is said


def test_a_dial_that_is_asked_for_is_somebodys_business() -> None:
    """A guard that asks for the light that goes by it."""
    prepared, faults = of_fade(made({"house": house(), "bell": ASKS}, dials=FADE))
    assert not any(not_looked_at(holding(prepared.system), fault) for fault in faults)


SAMPLED = {"style": "sample", "samples": 2, "sample_every": "50 ms"}
LIT = {"lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"), lit="lit")}


@pytest.mark.parametrize(("every", "key", "said"), [
    pytest.param("2 s", SAMPLED, True, id="on the grid"),
    pytest.param("2.01 s", SAMPLED, False, id="beside the grid"),
    pytest.param("2 s", {"debounce": "20 ms"}, False, id="no grid"),
])  # fmt: skip
def test_a_sample_beside_a_contact_that_is_read_wakes_nothing(
    every: str, key: dict[str, Any], said: bool,
) -> None:
    """The samples of the gauge come with reads of a contact, or they do not."""
    prepared = Prepared(made(LIT, buttons={"key": key}, controller={
        "awake": "1 mA", "asleep": "1 uA"}, gauge={
            "thresholds": ["3.5 V", "3.7 V"], "low": "3.4 V", "every": every}))
    system = holding(prepared.system)
    faults = [fault for fault in all_faults(system)
              if fault.kind == "awake" and fault.about.startswith("gauge.reading.")]
    assert len(faults) == 3
    assert all(not_looked_at(system, fault) for fault in faults) is said
    assert any(not_looked_at(system, fault) for fault in faults) is said
    assert (told(prepared, faults, 6) == []) is said


def test_the_first_sample_is_alone() -> None:
    """At power-up the contact is not read yet; and a contact that nothing is read beside wakes."""
    prepared = Prepared(made(LIT, buttons={"key": SAMPLED}, gauge={
        "thresholds": ["3.5 V", "3.7 V"], "low": "3.4 V", "every": "2 s"}))
    system = holding(prepared.system)
    alone = [fault for fault in all_faults(system) if fault.kind == "awake"
             and fault.about in ("gauge.reading", "key.contact.reading", "key.contact.bouncing.1")]
    assert len(alone) == 3
    assert not any(not_looked_at(system, fault) for fault in alone)


def over(*more: dict[str, Any], **driven: str) -> Gadget:
    """A lamp that is lit once and then over: that is as good as before where nothing says which."""
    return made({"lamp": region(
        "before", "before lit over", row("lit", ["before", "over"], on="key.press"),
        row("over", "lit", on="key.release"), *more, by={"lit": "on", **driven})})


@pytest.mark.parametrize("kind", ["starts", "kept"])
@pytest.mark.parametrize(("gadget", "said"), [
    pytest.param(over(over="off"), True, id="as good"),
    pytest.param(over(over="10 %"), False, id="gives something else"),
    pytest.param(over(row("lit", "over", after="300 ms")), False, id="leads on"),
    pytest.param(made({
        "bell": region("still", "still loud", row("loud", "still", on="key.press",
                                                  when="lamp.over"),
                       row("still", "loud", on="key.release"), lit="loud", what="buzz"),
        "lamp": region("before", "before lit over", row("lit", ["before", "over"], on="key.press"),
                       row("over", "lit", on="key.release"), lit="lit"),
    }), False, id="is asked for"),
])
def test_a_region_may_begin_in_a_state_that_is_as_good(gadget: Gadget, said: bool, kind: str
                                                       ) -> None:
    """What begins elsewhere, or is kept over a loss of the supply, is told only where it shows."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    words = {"starts": "begins in over", "kept": "this state alone is kept"}[kind]
    (fault,) = (one for one in all_faults(system)
                if one.kind == kind and words in one.words and one.about in ("lamp", "lamp.over"))
    assert not_looked_at(system, fault) is said
    assert (told(prepared, [fault], 30) == []) is said
