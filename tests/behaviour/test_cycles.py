"""Rows that follow one another without time passing, found in the rows alone."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from simfw.behaviour.build import build_system
from simfw.behaviour.cycles import zero_time_loops
from simfw.behaviour.table import Stepper
from simfw.errors import EndlessInstant
from tests.behaviour.bench import World, gadget
from tests.property import strategies

HEAD = """
[buttons.a]
[charger]
current = "50 mA"
float = "4.2 V"
[behaviour.mode]
starts = "quiet"
states.quiet = {}
states.loud = {}
rows = [ { on = "a.hold", from = "quiet", to = "loud" } ]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.one = {}
states.two = {}
""".replace("[buttons.a]", '[buttons.a]\nhold = "1 s"')


def loops(rows: str, more: str = "") -> list[str]:
    """The loops of a lamp with these rows, as rows of it by number."""
    found = zero_time_loops(build_system(gadget(HEAD + f"rows = [{rows}]\n" + more)))
    return [
        " -> ".join(loop.rows).replace("behaviour.", "").replace(".rows", "") for loop in found
    ]


ENDLESS = {
    "zero dwells": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "0 s", from = "one", to = "two" }, { after = "0 s", from = "two", to = "one" }',
        "lamp[1] -> lamp[2]",
    ),
    "its own state": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "0 s", from = "one", to = "one" }',
        "lamp[1]",
    ),
    "events": (
        '{ on = "a.click", from = "dark", to = "one", emit = "ping" },'
        '{ on = "ping", from = "one", to = "two", emit = "pong" },'
        '{ on = "pong", from = "two", to = "one", emit = "ping" }',
        "lamp[1] -> lamp[2]",
    ),
    "a row that stays": (
        '{ on = "a.click", from = "dark", to = "same", emit = "ping" },'
        '{ on = "ping", from = "*", to = "same", emit = "ping" }',
        "lamp[1]",
    ),
    "an input that does not change": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "0 s", from = "one", to = "two", when = "usb" },'
        '{ after = "0 s", from = "two", to = "one", when = "usb and mode.loud" }',
        "lamp[1] -> lamp[2]",
    ),
}
RESTING = {
    "an input that would have to change": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "0 s", from = "one", to = "two", when = "usb" },'
        '{ after = "0 s", from = "two", to = "one", when = "not usb" }'
    ),
    "a region that would have to change": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "0 s", from = "one", to = "two", when = "mode.loud" },'
        '{ after = "0 s", from = "two", to = "one", when = "mode.quiet" }'
    ),
    "a voltage that would have to change": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "0 s", from = "one", to = "two", when = "cell.voltage < 3.3" },'
        '{ after = "0 s", from = "two", to = "one", when = "cell.voltage >= 3.5" }'
    ),
    "a chain that ends": (
        '{ on = "a.click", from = "dark", to = "one", emit = "ping" },'
        '{ on = "ping", from = "one", to = "two", emit = "ping" }'
    ),
    "states that nothing leads to": (
        '{ after = "0 s", from = "one", to = "two" }, { after = "0 s", from = "two", to = "one" }'
    ),
    "a dwell in between": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "1 ns", from = "one", to = "two" }, { after = "0 s", from = "two", to = "one" }'
    ),
    "a first row that always leads out": (
        '{ on = "a.click", from = "dark", to = "one" },'
        '{ after = "0 s", from = "one", to = "two" }, { after = "0 s", from = "two", to = "dark" },'
        '{ after = "0 s", from = "two", to = "one", when = "usb" }'
    ),
}


@pytest.mark.parametrize("name", ENDLESS)
def test_rows_that_chase_each_other_are_named(name):
    """By their keys, in the order of the file."""
    rows, loop = ENDLESS[name]
    assert loops(rows) == [loop]


@pytest.mark.parametrize("name", RESTING)
def test_rows_that_come_to_rest_are_not(name):
    """What guards read of the outside stays as it is throughout an instant."""
    assert loops(RESTING[name]) == []


def test_two_regions_that_answer_each_other_are_named_together():
    """Their rows stand in the order in which they fire."""
    echo = (
        '[behaviour.echo]\nstarts = "off"\nstates.off = {}\n'
        'rows = [ { on = "ping", from = "off", to = "same", emit = "pong" } ]\n'
    )
    rows = (
        '{ on = "a.click", from = "dark", to = "same", emit = "ping" },'
        '{ on = "pong", from = "dark", to = "same", emit = "ping" }'
    )
    assert loops(rows, echo) == ["lamp[1] -> echo[0]"]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_no_instant_without_end_is_missed(data):
    """Random systems: where the stepper does not come to rest, a loop is named beforehand."""
    made = data.draw(strategies.systems())
    system = dataclasses.replace(made, conditions=())
    world = World(flags={name: data.draw(st.booleans()) for name in strategies.FLAGS})
    stepper = Stepper(system, world)
    named = zero_time_loops(system)
    chased: tuple[str, ...] = ()
    try:
        stepper.run_instant(0, strategies.RAW, power_up=True)
        for now in range(1, 12):
            stepper.run_instant(now, data.draw(st.lists(st.sampled_from(strategies.RAW))))
    except EndlessInstant as found:
        chased = found.loop
    event("an instant without end" if chased else "all came to rest")
    assert not chased or any(set(loop.rows) & set(chased) for loop in named)
