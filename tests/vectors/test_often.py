"""How often, and in which rounds of an instant, regions may tell something."""

from __future__ import annotations

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.equal import NEAR, Prover
from simfw.vectors.often import Often, Telling
from tests.vectors.test_equal import fault_of, made, region, row


def telling(gadget: Gadget, *events: str, core: tuple[str, ...] = ()) -> list[Telling]:
    """How those outside of a core tell some events."""
    return list(Often(holding(Prepared(gadget).system)).telling(events, core))


def test_a_contact_tells_one_thing_in_an_instant_and_in_its_second_round() -> None:
    """The time of a debounce ends once: a press or a release; the click follows in the third."""
    gadget = made({"lamp": region("off", "off lit", row("lit", "off", on="key.click"), lit="lit")})
    press, release, click = telling(gadget, "key.press", "key.release", "key.click")
    assert (press.most, press.of, release.most) == (1, 1, 1)
    assert press.rounds == release.rounds == {2}
    assert (click.most, click.rounds, click.turns) == (1, {3}, set())
    assert press.turns == release.turns
    assert not press.anew


def test_an_edge_that_is_heard_at_once_is_told_once() -> None:
    """A contact without debounce: an input moves once in an instant, as the line protocol says."""
    gadget = made({"lamp": region("off", "off lit", row("lit", "off", on="key.press"), lit="lit")},
                  buttons={"key": {"debounce": "0 s"}})  # fmt: skip
    (press,) = telling(gadget, "key.press")
    assert press.most == 1
    assert press.rounds == {3}  # a settled contact is read at once, in the round behind its edge


def test_what_follows_from_itself_has_no_number() -> None:
    """Two regions that call each other; of what an inner one tells nothing is asked."""
    gadget = made({
        "ping": region("on", "on off", row("same", "on", on="key.press", emit="one"),
                       row("same", "on", on="two", emit="one")),
        "pong": region("on", "on off", row("off", "on", on="one", emit="two"),
                       row("on", "off", on="one")),
    })  # fmt: skip
    one, two = telling(gadget, "one", "two")
    assert one.most is None
    assert two.most is None
    assert {2, 3, 4, 5} & one.rounds == {3, 5}
    (inner,) = telling(gadget, "one", core=("ping",))
    assert (inner.makers, inner.most) == ((), 0)


def test_what_a_condition_tells_comes_anew() -> None:
    """A sensor that is wanted while a lamp is lit: it is told so when all is at rest."""
    gadget = made(
        {"lamp": region("off", "off lit", row("lit", "off", on="key.press"), lit="lit")},
        measures={"light": {"unit": "lx", "thresholds": ["10 lx"], "hysteresis": "2 lx",
                            "every": "100 ms", "settle": "10 ms", "enabled": "lamp.lit"}},
    )  # fmt: skip
    (found,) = telling(gadget, "light.enable")
    assert found.anew
    assert (found.most, found.makers) == (1, ("light.enable",))
    (press,) = telling(gadget, "key.press")
    assert not press.anew


RUNG = made({
    "lamp": region("off", "off armed", row("armed", "off", on="key.press", emit="ring"),
                   row("off", "armed", on="key.release"), lit="armed"),
    "bell": region("still", "still ringing", row("ringing", "still", on="ring", when="lamp.armed"),
                   row("still", "ringing", after="80 ms"), lit="ringing", what="buzz"),
})
"""A contact tells one thing in an instant: one that is pressed is not let go of in that."""

TOLD_BY_TWO = made({
    "one": region("up", "up", row("same", "up", on="a.press", emit="go")),
    "two": region("up", "up", row("same", "up", on="b.press", emit="go")),
    "lamp": region("off", "off once lit", row("once", "off", on="go"), row("lit", "once", on="go"),
                   row("off", "once", after="0 s"), row("off", "lit", after="80 ms"), lit="lit"),
}, buttons={"a": {"debounce": "20 ms"}, "b": {"debounce": "20 ms"}})
"""Two regions tell the same: what is lit needs both in one instant."""


def near(gadget: Gadget, about: str, words: str) -> bool:
    """Whether a fault is proved to be none with the nearest regions alone."""
    prepared, fault = fault_of(gadget, about, words)
    prover = Prover(holding(prepared.system), gadget.segments)
    return any(found is None for found in prover.settle(fault, NEAR))


def test_what_begins_an_instant_counts_among_what_is_told_in_it() -> None:
    """A press that begins an instant leaves no room for a release by the same contact in it."""
    assert near(RUNG, "behaviour.bell.rows[0]", "its guard is dropped")


def test_what_two_regions_tell_comes_twice_in_one_instant() -> None:
    """One of them may begin it, and the other tells the same in the middle of it."""
    assert not near(TOLD_BY_TWO, "behaviour.lamp.rows[1]", "never fires")
