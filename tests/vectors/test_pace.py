"""Periods that are left out of a played vector."""

from __future__ import annotations

from simfw.engine.simulator import Prepared
from simfw.vectors.build import Rehearsal
from simfw.vectors.pace import periods_of
from tests.dials.made import gadget

MS = 1_000_000
TWO_DWELLS = """
[gadget]
name = "Two dwells"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
asleep = "1 uA"
[loads.lamp]
current = "10 mA"
[buttons.go]
debounce = "5 ms"
[behaviour.tick]
starts = "one"
states.one = {}
states.two = {}
rows = [
  { after = "15 ms", from = "one", to = "two" },
  { after = "15 ms", from = "two", to = "one" },
]
[behaviour.bulb]
starts = "dark"
states.dark = {}
states.never = {}
states.lit = { lamp = "on" }
rows = [
  { after = "170 ms", from = "dark", to = "never", when = "go.pressed" },
  { after = "200 ms", from = "dark", to = "lit" },
]
"""


def test_two_dwells_a_period_apart_are_not_one_that_comes_again() -> None:
    """What is left of the second is what was left of the first, a period of 30 ms before it: the
    light comes on at its time, with periods left out and without.
    """
    made = gadget(TWO_DWELLS, "")
    for whole in (True, False):
        played = Rehearsal(Prepared(made)).play(
            charge=0.5, acts=(), ends_ns=5000 * MS, whole=whole)
        lit = [report.time_ns for exchange in played.exchanges for report in exchange.reports
               if report.name == "lamp" and report.level]
        assert lit == [200 * MS]


RINGS = """
[behaviour.tick]
starts = "one"
states.one = {}
states.two = {}
states.three = {}
states.four = {}
states.five = {}
rows = [
  { after = "10 ms", from = "one", to = "two" },
  { after = "10 ms", from = "two", to = "three" },
  { after = "15 ms", from = "three", to = "four" },
  { after = "20 ms", from = "four", to = "three" },
  { after = "10 ms", from = "five", to = "one" },
]
"""


def test_a_ring_has_the_period_of_going_round_it_once() -> None:
    """Not that of going round it twice as well, where its region has more times; what leads into it
    is no part of it.
    """
    plain = TWO_DWELLS.partition("[behaviour.tick]")[0]
    assert periods_of(Prepared(gadget(plain + RINGS, "")).system) == (35 * MS,)
