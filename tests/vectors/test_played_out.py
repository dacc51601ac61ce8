"""A sequence that repeats once more is proved to be none where its state is always left in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from simfw import load_gadget
from simfw.behaviour.expression import Compare, Quantity
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.equal import Prover
from simfw.vectors.played_out import over_in_time
from simfw.vectors.possible import all_faults
from tests.sharing import uncounted
from tests.vectors.test_equal import fault_of, made, region, row, told

ROOT = Path(__file__).parents[2]
MORE = "glow: it repeats once more"
CHIRP = {"chirp": {"steps": ["on for 30 ms", "off for 20 ms"], "times": 2},
         "long": {"steps": ["on for 30 ms", "off for 30 ms"], "times": 2}}
HEARD = row("dark", "lit", on="lamp.ended")
AT_KEY = row("lit", "dark", on="key.press")


def playing(*rows: dict[str, Any], states: str = "dark lit", by: Mapping[str, str] | None = None,
            **more: Any) -> Gadget:  # fmt: skip
    """A lamp that plays something 100 ms long where it is `lit`, and a key."""
    lamp = region("dark", states, *rows, by={"lit": "chirp", **(by or {})}, **more)
    return made({"lamp": lamp, "bell": region("still", "still loud",
                                              row("loud", "still", on="key.click"),
                                              row("still", "loud", on="key.press"))},
                sequences=CHIRP)  # fmt: skip


def two(*rows: dict[str, Any]) -> Gadget:
    """A lamp and a buzzer that are played together: the buzzer takes 20 ms longer."""
    lamp = region("dark", "dark lit", AT_KEY, *rows, by={"lit": "chirp"})
    lamp["states"]["lit"]["buzz"] = "long"
    return made({"lamp": lamp}, sequences=CHIRP)


@pytest.mark.parametrize(("gadget", "holds"), [
    pytest.param(playing(AT_KEY, HEARD), True, id="hears its end"),
    pytest.param(playing(AT_KEY, row("dark", "lit", after="100 ms")), True, id="a time as long"),
    pytest.param(playing(AT_KEY, row("dark", "lit", after="70 ms")), True, id="a shorter time"),
    pytest.param(playing(AT_KEY, row("lit", "lit", on="lamp.ended")), True, id="begins anew"),
    pytest.param(playing(AT_KEY, row("same", "lit", after="60 ms", emit="on"),
                         row("dark", "lit", on="on")), True, id="hears itself"),
    pytest.param(playing(AT_KEY, row("other", "lit", on="lamp.ended", when="bell.loud"), HEARD,
                         row("dark", "other", on="key.press"), states="dark lit other"), True,
                 id="leads on in two ways"),
    pytest.param(playing(AT_KEY, row("dark", "lit", after="110 ms")), False, id="a longer time"),
    pytest.param(playing(AT_KEY, row("dark", "lit", on="key.release")), False, id="by hand"),
    pytest.param(playing(AT_KEY, row("dark", "lit", on="lamp.ended", when="bell.still"),
                         row("dark", "lit", on="key.press")), False, id="a guard"),
    pytest.param(playing(AT_KEY, row("same", "lit", on="lamp.ended", when="bell.loud"), HEARD,
                         row("dark", "lit", on="key.press")), False, id="another row answers"),
    pytest.param(playing(AT_KEY, row("dark", "lit", after="100 ms", when="bell.still"),
                         row("dark", "lit", on="key.press")), False, id="a time with a guard"),
    pytest.param(playing(AT_KEY, row("same", "lit", after="110 ms", emit="on"),
                         row("dark", "lit", on="on")), False, id="hears itself late"),
    pytest.param(two(HEARD), False, id="another sequence is longer"),
])  # fmt: skip
def test_one_repeat_more_shows_unless_the_state_is_always_left_by_then(
    gadget: Gadget, holds: bool,
) -> None:
    """Each premise that is broken makes the repeat show: random play tells it then."""
    prepared, fault = fault_of(gadget, "lamp.lit", MORE)
    assert over_in_time(holding(prepared.system), fault) is holds
    with uncounted():
        assert (told(prepared, [fault], 24, "wake") == []) is holds


def test_what_is_kept_or_asked_for_is_not_followed() -> None:
    """A lamp that is kept over a loss of the supply; a guard that asks what a light gives, which no
    gadget file may have.
    """
    prepared, fault = fault_of(playing(AT_KEY, HEARD, kept="state"), "lamp.lit", MORE)
    assert not over_in_time(holding(prepared.system), fault)
    prepared, fault = fault_of(playing(AT_KEY, HEARD), "lamp.lit", MORE)
    system = holding(prepared.system)
    bell = system.region("bell")
    asks = replace(bell, rows=(replace(bell.rows[0], when=Compare(Quantity("glow"), ">", 0.0)),
                               *bell.rows[1:]))
    assert over_in_time(system, fault)
    assert not over_in_time(replace(system, regions=tuple(
        asks if one is bell else one for one in system.regions)), fault)


def test_other_slips_of_a_sequence_are_no_business_of_it() -> None:
    """A step that lasts longer shows before the state is left."""
    prepared = Prepared(playing(AT_KEY, HEARD))
    system = holding(prepared.system)
    others = [fault for fault in all_faults(system) if MORE not in fault.text]
    assert sum(fault.kind == "sequence" for fault in others) > 2
    assert not any(over_in_time(system, fault) for fault in others)


def _drawn(draw: Random) -> Gadget:
    """A lamp of which rows are drawn: some leave what plays in time, and some do not."""
    rows = []
    for _ in range(draw.randint(1, 4)):
        to = draw.choice(["dark", "lit", "other", "same"])
        when = draw.choice([{}, {}, {"when": "bell.loud"}, {"when": "key.closed"}])
        how = draw.choice(["time", "ended", "told", "key"])
        if how == "time":
            emit = {"emit": "on"} if to == "same" or draw.random() < 0.3 else {}
            rows.append(row(to, "lit", after=f"{draw.choice([30, 60, 100, 110, 150])} ms", **when,
                            **emit))
        else:
            on = {"ended": "lamp.ended", "told": "on", "key": "key.release"}[how]
            rows.append(row(to, "lit", on=on, **when,
                            **({"emit": "nothing"} if to == "same" else {})))
    rows = list({(one.get("on"), one.get("after"), one.get("when")): one for one in rows}.values())
    tells = row("same", "dark", on="key.click", emit=["on", "nothing"])
    draw.shuffle(rows)
    return playing(AT_KEY, tells, row("lit", "other", after="80 ms"),
                   *rows, states="dark lit other")


def test_no_drawn_lamp_plays_more_where_that_is_proved() -> None:
    """Lamps with drawn rows, each in random play: what is proved is never told."""
    proved = 0
    for number in range(30):
        prepared, fault = fault_of(_drawn(Random(number)), "lamp.lit", MORE)
        if over_in_time(holding(prepared.system), fault):
            proved += 1
            with uncounted():
                assert told(prepared, [fault], 12, "wake") == [], number
    assert proved > 5


@pytest.mark.parametrize(("folder", "text"), [
    ("bell-counter", "chime.sounding: chirp: it repeats once more"),
    ("fridge-door", "guard.chirping: buzzer: it repeats once more")])
def test_what_ends_with_its_sequence_is_proved_in_whole_gadgets(folder: str, text: str) -> None:
    """A chime and an alarm that go on as their sequence has ended."""
    gadget = load_gadget(ROOT / "tests" / "gallery" / folder / "gadget.toml")
    system = holding(Prepared(gadget).system)
    (fault,) = [one for one in all_faults(system) if one.text == text]
    assert Prover(system, gadget.segments).same(fault)
