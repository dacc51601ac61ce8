"""Times that end first, or last, in their instant: proved where all else may be changed over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from simfw import load_gadget
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.commuting import Commuting
from simfw.vectors.possible import all_faults
from tests.sharing import uncounted
from tests.vectors.test_equal import fault_of, made, region, row, told

ROOT = Path(__file__).parents[2]
FIRST = "its time ends before all else in that instant"
AFTER = "its time ends after all else in that instant"
DARKENS = row("dark", "lit", on="key.release")


def beat(event: str, after: str = "100 ms") -> dict[str, Any]:
    """A region that tells an event so long after a press."""
    return region("home", "home on over", row("on", "home", on="key.press"),
                  row("over", "on", after=after, emit=event), row("home", "over", after="50 ms"))


def beats(lamp: dict[str, Any], parts: dict[str, Any] | None = None, **more: Any) -> Gadget:
    """Regions `a` and `b` tell `one` and `two` in the same instant, and a lamp hears them."""
    return made({"a": beat("one"), "b": beat("two"), **more, "lamp": lamp}, **(parts or {}))


APART = beats(region("dark", "dark lit", row("lit", "dark", on="one"), DARKENS, lit="lit"),
              bell=region("still", "still loud", row("loud", "still", on="two"), lit="loud",
                          what="buzz"))
"""Neither is any business of the other."""

EITHER = beats(region("half", "half off", row("off", "half", on="one"),
                      row("off", "half", on="two"), lit="off"))
"""Both lead to the same."""

CONTESTED = beats(region("dark", "dark lit", row("lit", "dark", on="one"),
                         row("dark", "lit", on="two"), lit="lit"))
"""What the one lights the other puts out."""

ASKED = beats(region("dark", "dark lit", row("lit", "dark", on="two", when="walk.on"), DARKENS,
                     lit="lit"),
              walk=region("home", "home on", row("on", "home", on="one"),
                          row("home", "on", on="key.release")))
"""What the one moves the other asks for."""

LATER = beats(region("dark", "dark lit", row("lit", "dark", on="two"),
                     row("dark", "lit", on="three"), lit="lit"),
              walk=region("on", "on off", row("same", "on", on="one", emit="three")))
"""What comes of the first is passed on, and heard behind the second."""

MILL = region("rest", "rest run", row("run", "rest", on="one", when="lid.shut"),
              row("rest", "run", on="opened"), lit="run")
LID = region("shut", "shut open", row("open", "shut", after="230 ms", emit="opened"),
             row("shut", "open", after="170 ms"))

OPENED = beats(MILL, lid=LID)
"""Who hears that the lid has opened finds it open: what is first heard then starts no mill."""

TWO_OPEN = beats(MILL, lid=LID, other=beat("opened"))
"""Another region tells that the lid has opened, too, and it has not."""

OPEN_AND_SHUT = beats(
    region("rest", "rest run", row("run", "rest", on="three", when="lid.shut"),
           row("rest", "run", on="opened"), lit="run"),
    walk=region("on", "on off", row("same", "on", on="one", emit="three")),
    c=beat("go"), d=beat("go"),
    lid=region("shut", "shut open", row("open", "shut", on="go", emit="opened"),
               row("shut", "open", on="go")))
"""Where it is heard that the lid has opened it is shut again."""

WAKES = beats(region("dark", "dark busy quiet", row("busy", "dark", on="one"),
                     row("quiet", ["dark", "busy"], on="two"),
                     row("dark", "quiet", on="key.release"),
                     what="controller", by={"busy": "awake"}),
              bell=region("still", "still loud", row("loud", "still", on="key.click"), lit="loud"))
"""Both orders leave the same; in one of them the controller wakes."""

WATCHED = beats(
    region("dark", "dark lit", row("lit", "dark", on="light.down"),
           row("dark", "lit", on="light.up"), lit="lit"),
    {"measures": {"light": {"unit": "lx", "thresholds": ["10 lx"], "hysteresis": "2 lx",
                            "every": "100 ms", "settle": "10 ms",
                            "enabled": "walk.on and lock.on"}}},
    walk=region("off", "off on", row("on", "off", on="key.press"), row("off", "on", on="one")),
    lock=region("off", "off on", row("off", "on", on="key.press"), row("on", "off", on="two")))
"""For a moment a measure is wanted, if the second is taken first."""

LOOKS_BACK = made({"lamp": region(
    "dark", "dark first lit", row("first", "dark", on="key.press"),
    row("lit", "first", after="100 ms", when="key.closed"), row("dark", "lit", on="key.press"),
    row("dark", "first", on="key.release"), lit="lit")})  # fmt: skip
"""A contact opens in the instant in which the time ends."""

SILENT = made({"a": beat("one"), "b": beat("two"),
               "hear": region("on", "on off", row("same", "on", on="one"),
                              row("same", "on", on="two"))})  # fmt: skip
"""Nothing is driven: the order of what is told is all there is."""


def proved(gadget: Gadget, about: str, words: str) -> bool:
    """Whether a fault of a gadget is proved."""
    prepared, fault = fault_of(gadget, about, words)
    return Commuting(holding(prepared.system)).either_way(fault)


@pytest.mark.parametrize(("gadget", "about", "words"), [
    pytest.param(CONTESTED, "behaviour.a.rows[1]", AFTER, id="contested"),
    pytest.param(CONTESTED, "behaviour.b.rows[1]", FIRST, id="contested, first"),
    pytest.param(ASKED, "behaviour.a.rows[1]", AFTER, id="asked for"),
    pytest.param(LATER, "behaviour.b.rows[1]", AFTER, id="heard before"),
    pytest.param(TWO_OPEN, "behaviour.a.rows[1]", AFTER, id="two tell it"),
    pytest.param(OPEN_AND_SHUT, "behaviour.a.rows[1]", AFTER, id="moved twice"),
    pytest.param(WAKES, "behaviour.a.rows[1]", AFTER, id="wakes"),
    pytest.param(WATCHED, "behaviour.a.rows[1]", AFTER, id="watched"),
    pytest.param(LOOKS_BACK, "behaviour.lamp.rows[1]", FIRST, id="looks back"),
    pytest.param(SILENT, "behaviour.a.rows[1]", AFTER, id="only told"),
])  # fmt: skip
def test_where_a_premise_fails_random_play_tells_and_nothing_is_proved(
    gadget: Gadget, about: str, words: str,
) -> None:
    """Each premise, in a gadget where it does not hold."""
    prepared, fault = fault_of(gadget, about, words)
    with uncounted():
        assert told(prepared, [fault], 40, "wake") != []
    assert not proved(gadget, about, words)


@pytest.mark.parametrize(("gadget", "about", "words"), [
    pytest.param(APART, "behaviour.a.rows[1]", AFTER, id="apart"),
    pytest.param(APART, "behaviour.b.rows[1]", FIRST, id="apart, first"),
    pytest.param(EITHER, "behaviour.a.rows[1]", AFTER, id="to the same"),
    pytest.param(EITHER, "behaviour.b.rows[1]", FIRST, id="to the same, first"),
    pytest.param(LATER, "behaviour.a.rows[1]", AFTER, id="heard behind in any case"),
    pytest.param(OPENED, "behaviour.a.rows[1]", AFTER, id="finds it open"),
])  # fmt: skip
def test_what_may_be_changed_over_is_proved(gadget: Gadget, about: str, words: str) -> None:
    """Near to those above, with all premises."""
    assert proved(gadget, about, words)


@pytest.mark.parametrize("gadget", [
    APART, EITHER, CONTESTED, ASKED, LATER, OPENED, TWO_OPEN, OPEN_AND_SHUT, WAKES, WATCHED,
    LOOKS_BACK])
def test_what_is_proved_is_not_told_by_random_play(gadget: Gadget) -> None:
    """All times of these gadgets that may end first, or last, against random courses."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    commuting = Commuting(system)
    same = [fault for fault in all_faults(system) if commuting.either_way(fault)]
    with uncounted():
        assert told(prepared, same, 24, "wake") == []


@pytest.mark.parametrize(("folder", "texts"), [
    ("scenarios/key-hook", {f"buttons.key.debounce#2: {AFTER}"}),
    ("tests/gallery/coffee-mill", {f"buttons.grain.debounce#3: {AFTER}",
                                   f"toggles.reed.debounce#2: {AFTER}"}),
    ("tests/gallery/ticker", {f"gauge.every#4: {FIRST}", f"gauge.every#5: {AFTER}"}),
])  # fmt: skip
def test_a_contact_that_settles_beside_others_and_a_sample_that_nobody_asks_for(
    folder: str, texts: set[str],
) -> None:
    """What no search could prove within the work for one fault. A lid that opens as a grain is
    clicked is another matter: the click finds it open, or not yet.
    """
    system = holding(Prepared(load_gadget(ROOT / folder / "gadget.toml")).system)
    commuting = Commuting(system)
    found = {fault.text for fault in all_faults(system) if commuting.either_way(fault)}
    assert texts <= found
    assert f"toggles.lid.debounce#5: {AFTER}" not in found
