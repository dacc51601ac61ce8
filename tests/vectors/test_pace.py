"""Periods that are left out of a played vector."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfw.behaviour.region import System
from simfw.engine.simulator import Prepared
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.faulty import Driven, Sound
from simfw.vectors.pace import periods_of
from simfw.vectors.possible import all_faults
from simfw.vectors.script import script_of
from simfw.vectors.whittle import Exposure
from tests.dials.made import gadget

MS = 1_000_000
HOUR = 3600 * 1000 * MS
WEEK = 7 * 24 * HOUR
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


CALENDAR = """
[gadget]
name = "A bell of weeks"
[cell]
curve = "lco"
capacity = "2 Ah"
[controller]
asleep = "1 uA"
[loads.bell]
current = "10 mA"
[buttons.go]
style = "sample"
samples = 2
sample_every = "1 ms"
[behaviour.calendar]
starts = "port"
states.port = {}
states.sea = { bell = "on" }
rows = [
  { after = "4 weeks", from = "port", to = "sea" },
  { after = "1 s", from = "sea", to = "port" },
]
"""


def test_a_contact_that_is_read_otherwise_is_not_read_for_weeks() -> None:
    """Firmwares that read the contact every 1.1 ms or 1.0003 ms are driven through four weeks in
    some hundreds of instants, though nothing that the model does comes round with that.
    """
    prepared = Prepared(gadget(CALENDAR, ""))
    model = Rehearsal(prepared)
    played = model.played(0.5, (), 5 * WEEK)
    assert played is not None
    for every in (1_100_000, 1_000_300):
        system = _with_reading(prepared.system, every)
        firmware = Driven(prepared.system, {})
        firmware.stepper.hold(0, system.regions[0])
        course = Sound(prepared.system, {}).course(script_of(played, prepared.system))
        assert firmware.parts(course, range(len(course.marks))) is None
        assert not firmware.gave_up
        assert firmware.instants < 5_000


def _with_reading(system: System, every_ns: int) -> System:
    region = system.regions[0]
    rows = tuple(replace(row, after_ns=every_ns) if row.after_ns == MS else row
                 for row in region.rows)  # fmt: skip
    assert rows != region.rows
    return replace(system, regions=(replace(region, rows=rows), *system.regions[1:]))


UNLIKE = """
[gadget]
name = "Two beats that meet seldom"
[cell]
curve = "lco"
capacity = "2 Ah"
[controller]
asleep = "1 uA"
[loads.red]
current = "1 mA"
[loads.green]
current = "1 mA"
[buttons.go]
debounce = "5 ms"
[behaviour.slow]
starts = "dark"
states.dark = {}
states.lit = { red = "on" }
rows = [
  { after = "7 s", from = "dark", to = "lit" },
  { after = "6.1 s", from = "lit", to = "dark" },
]
[behaviour.quick]
starts = "dark"
states.dark = {}
states.lit = { green = "on" }
rows = [
  { after = "5 s", from = "dark", to = "lit" },
  { after = "5.3 s", from = "lit", to = "dark" },
]
"""


def test_beats_that_meet_once_in_many_minutes_are_left_out_for_weeks() -> None:
    """13.1 s and 10.3 s come round in 1349.3 s, longer than any period that is tried first: four
    weeks take no more instants than some hours, and what is told of three hours is what is told
    where nothing is left out.
    """
    model = Counting(Prepared(gadget(UNLIKE, "")))
    assert periods_of(model.system) == (10_300 * MS,)
    played, whole = (model.played(0.5, (), 3 * HOUR, whole=whole) for whole in (False, True))
    assert played is not None
    assert whole is not None
    assert sum(up_to - after for after, up_to in played.left_out) > HOUR // 2
    assert [period for _, _, period in played.repeats()] == [1_349_300 * MS]
    assert played.unrolled == whole.unrolled
    model.instants = 0
    assert model.played(0.5, (), 4 * WEEK) is not None
    assert model.instants < 10_000


class Counting(Rehearsal):
    """It counts the instants that it goes through."""

    instants = 0

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        self.instants += 1
        super()._instant(raw, power_up=power_up)


def test_a_vector_that_is_too_much_work_is_given_up_and_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A firmware that never comes round goes through a counted number of instants, and it is told
    of how many faults that is so.
    """
    monkeypatch.setattr("simfw.vectors.faulty.MOST_OF_ONE", 50)
    prepared = Prepared(gadget(UNLIKE, ""))
    played = Rehearsal(prepared).played(0.5, (), HOUR)
    assert played is not None
    judge = Judge(prepared.system, {})
    judge.add(played)
    fault = next(one for one in all_faults(prepared.system)
                 if judge.exposed(one) is None and judge.given_up)
    assert judge.given_up == {id(fault)}
    exposure = Exposure(exposed=(), same=(), left=(fault,), made=1, given_up=1)
    assert any("1 of those not exposed" in line for line in exposure.lines())
