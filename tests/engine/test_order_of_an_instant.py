"""What comes first at one time, and what the rest of a rule's `when` is read on."""

from __future__ import annotations

import dataclasses
import itertools

import pytest

from simfw.conform.driving import scenario_drive
from simfw.conform.firmware import Firmware
from simfw.engine.run import Run
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.report.source import harness_files
from simfw.stimuli.scenario import (
    Expect,
    Press,
    Scenario,
    Step,
    Temperature,
    Usb,
    Wave,
    problems_of,
)
from simfw.vectors.build import Rehearsal, replay_scenario
from tests.engine.bench import MS, S, gadget_of, names, run, scenario, times
from tests.report.generated_c import compile_harness, compiler

BENCH = """
[gadget]
name = "Bench"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "1 ohm"
[charger]
current = "50 mA"
float = "4.20 V"
status = "low while charging"
[loads]
lamp = { current = "5 mA" }
[buttons.a]
debounce = "0 s"
[buttons.b]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
states.never = {}
rows = [
  { on = "a.press", from = "dark", to = "lit" },
  { on = "a.press", from = "lit", to = "dark" },
]
"""

# Of each pair the first asks for what stood before the instant, the second for what it leaves.
BEFORE_AND_AFTER = {
    "usb": ("usb.in and not usb", "usb.in and usb"),
    "contact": ("a.press and not a.closed", "a.press and a.closed"),
    "status pin": ("charge.started and not status.low", "charge.started and status.low"),
    "level": ("a.press and lamp == 0", "a.press and lamp > 0"),
    "state": ("a.press and lamp.dark", "a.press and lamp.lit"),
}
ONCE = (Usb(at_ns=2 * S, present=True), Press(at_ns=3 * S, button="a", for_ns=100 * MS))


def demanding(when: str) -> Gadget:
    """The bench with a rule whose answer never comes: it breaks as soon as it is asked."""
    return gadget_of(
        BENCH + f'[[rules]]\nname = "asked"\nwhen = "{when}"\nthen = "lamp.never"\n'
        'within = "10 ms"\n'
    )


@pytest.mark.parametrize("fold", [True, False])
@pytest.mark.parametrize("what", BEFORE_AND_AFTER)
def test_the_rest_of_when_is_read_on_the_state_before_the_instant(what, fold):
    """Input levels, levels of lights and states alike; the events alone are of the instant."""
    before, after = BEFORE_AND_AFTER[what]
    asked = run(demanding(before), *ONCE, lasts="4 s", charge=0.5, fold=fold)
    assert not asked.rules[0].held
    idle = run(demanding(after), *ONCE, lasts="4 s", charge=0.5, fold=fold)
    assert idle.rules[0].held


def test_before_the_first_instant_nothing_was_touched():
    """An event at power-up finds contacts open and no USB before it."""
    steps = (Usb(at_ns=0, present=True), Press(at_ns=0, button="a", for_ns=100 * MS))
    for when, held in (
        ("a.press and not a.closed and not usb", False), ("a.press and a.closed", True),
        ("usb.in and usb", True),
    ):
        assert run(demanding(when), *steps, lasts="1 s", charge=0.5).rules[0].held is held, when


def test_a_continued_run_knows_the_state_before_its_first_instant():
    """A stimulus at the very seam is judged as in one long run."""
    gadget = demanding("usb.in and not usb and a.closed")
    steps = (Press(at_ns=0, button="a", for_ns=5 * S), Usb(at_ns=2 * S, present=True))
    whole = run(gadget, *steps, lasts="3 s", charge=0.5)
    first = run(gadget, steps[0], lasts="2 s", charge=0.5)
    second = run(gadget, Usb(at_ns=0, present=True), lasts="1 s", resume=first.final)
    assert whole.rules == second.rules
    assert not whole.rules[0].held


# -- the order of writing --------------------------------------------------------------------------


def events(result: Run) -> list[tuple[int, str]]:
    """Times and names of all events."""
    return [(event.time_ns, event.name) for event in result.events]


def in_every_order(gadget: Gadget, steps: tuple[Step, ...]) -> list[tuple[int, str]]:
    """The events of these steps, which must be the same however they are written."""
    found = [
        events(run(gadget, *written, lasts="10 s", charge=0.5))
        for written in itertools.permutations(steps)
    ]
    assert all(one == found[0] for one in found)
    return found[0]


def test_a_press_that_follows_at_once_does_not_vanish():
    """The contact is closed from the first press to the end of the second, written either way."""
    steps = (
        Press(at_ns=1 * S, button="b", for_ns=100 * MS),
        Press(at_ns=1 * S + 100 * MS, button="b", for_ns=200 * MS),
    )
    assert in_every_order(gadget_of(BENCH), steps) == [
        (1 * S + 20 * MS, "b.press"),
        (1 * S + 320 * MS, "b.release"),
        (1 * S + 320 * MS, "b.click"),
    ]


def test_ends_come_before_beginnings():
    """A contact opens before another closes that stands first in the gadget file; USB likewise."""
    steps = (
        Press(at_ns=1 * S, button="b", for_ns=500 * MS),
        Press(at_ns=1 * S + 500 * MS, button="a", for_ns=100 * MS),
        Usb(at_ns=1 * S, present=True),
        Usb(at_ns=3 * S, present=True),
        Usb(at_ns=3 * S, present=False),
    )
    gadget = gadget_of(BENCH.replace("[buttons.b]", '[buttons.b]\ndebounce = "0 s"'))
    found = in_every_order(gadget, steps)
    assert [name for time, name in found if time == 1 * S + 500 * MS] == [
        "b.release", "a.press", "b.click",
    ]  # fmt: skip
    final = run(gadget, *steps, lasts="10 s", charge=0.5).final
    assert final.usb


def test_a_hand_comes_nearer_whatever_the_order_of_writing():
    """The hand that comes at the moment the other leaves is there afterwards."""
    gadget = gadget_of(BENCH + """
[proximity.wave]
every = "100 ms"
settle = "1 ms"
agree = 1
clear = "200 ms"
carrier = "40 kHz"
duty = "50 %"
burst = 40
receiver = { supply = "0.4 mA", threshold = "0.7 mW/m2" }
emitter = { forward = ["1.35 V @ 100 mA", "1.2 V @ 20 mA"], resistor = "47R", intensity = "36 mW/sr @ 100 mA", half_angle = "25 deg", switch = { kind = "npn", base = "1k", saturation = "0.1 V" } }
target = { reflectance = "55 %", area = "80 cm2" }
""")  # noqa: E501
    steps = (
        Wave(at_ns=1 * S, sensor="wave", distance_m=3.0, for_ns=S),
        Wave(at_ns=2 * S, sensor="wave", distance_m=0.05, for_ns=S),
    )
    found = in_every_order(gadget, steps)
    assert [name for _, name in found] == ["wave.near", "wave.wave", "wave.far"]
    assert found[0][0] > 2 * S


def test_expectations_of_one_time_are_told_in_one_order():
    """What is expected stands in the report by its words, not by its place in the file."""
    steps = (Expect(at_ns=S, text="lamp.dark"), Expect(at_ns=S, text="a.up"))
    runs = [run(gadget_of(BENCH), *order, lasts="2 s") for order in itertools.permutations(steps)]
    told = [[(one.expression, one.met) for one in each.expectations] for each in runs]
    assert told == [[("a.up", True), ("lamp.dark", True)]] * 2


def test_two_temperatures_at_one_time_are_refused():
    """Neither could be said to come last; the same one twice is no mistake."""
    cold, warm = (Temperature(at_ns=S, temperature_c=degrees) for degrees in (5.0, 30.0))
    made = Scenario(charge=1.0, lasts_ns=2 * S, steps=(cold, warm))
    (problem,) = problems_of(made)
    assert problem.key == "steps[1].temperature"
    assert problems_of(dataclasses.replace(made, steps=(cold, cold))) == []


def test_toggles_of_a_very_short_bounce_that_share_a_time_leave_the_last():
    """A bounce of 2 ns leaves the contact closed while pressed and open afterwards."""
    result = run(
        gadget_of(BENCH), Press(at_ns=S, button="a", for_ns=100 * MS, bounce_ns=2), lasts="2 s"
    )
    assert names(result) == ["a.press", "a.release", "a.click"]


# -- power-up --------------------------------------------------------------------------------------

BOOT = BENCH.replace('debounce = "0 s"', 'debounce = "20 ms"') + """
[behaviour.boot]
starts = "first"
states.first = {}
states.plugged = {}
states.touched = {}
states.plain = {}
rows = [
  { after = "0 s", from = "first", to = "plugged", when = "not charge.unplugged", emit="saw.usb" },
  { after = "0 s", from = "first", to = "touched", when = "a.contact.bouncing", emit = "saw.a" },
  { after = "0 s", from = "first", to = "plain", emit = "saw.nothing" },
]
"""
AT_ZERO = {
    "saw.nothing": (),
    "saw.usb": (Usb(at_ns=0, present=True),),
    "saw.a": (Press(at_ns=0, button="a", for_ns=200 * MS),),
}


@pytest.mark.parametrize("saw", AT_ZERO)
def test_stimuli_at_zero_come_before_the_zero_dwells_of_start_states(saw):
    """A start state that lasts no time knows what was done at 0, in a run and in its vectors."""
    gadget = gadget_of(BOOT)
    result = run(gadget, *AT_ZERO[saw], lasts="1 s", charge=0.5)
    assert times(result, saw) == [0]
    made = scenario(*AT_ZERO[saw], lasts="1 s", charge=0.5)
    played = replay_scenario(Rehearsal(Prepared(gadget)), made)
    assert played is not None
    assert (0, saw) in played.events


def test_pins_are_found_before_zero_dwells_when_power_returns():
    """USB that brings the power back is known to a start state that lasts no time."""
    gadget = gadget_of(BOOT.replace(
        'resistance = "1 ohm"', 'resistance = "1 ohm"\ncut_off = "3.0 V"\nrestart = "3.3 V"'))
    result = run(gadget, Usb(at_ns=S, present=True), lasts="2 h", charge=0.0)
    again = [name for time, name in events(result) if time > 0]
    assert "saw.usb" in again
    assert "saw.nothing" not in again


@pytest.mark.skipif(compiler("tcc", "gcc", "clang") is None, reason="no C compiler installed")
def test_the_generated_c_takes_stimuli_at_zero_first(tmp_path):
    """A contact that moves, and USB that comes, in the instant of power-up."""
    gadget = gadget_of(BOOT)
    prepared = Prepared(gadget)
    for name, text in harness_files(prepared.system, gadget.segments, "Bench").items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    command = compiler("tcc", "gcc", "clang")
    assert command is not None
    firmware = Firmware(compile_harness(tmp_path, command, "-w"))
    for saw, steps in AT_ZERO.items():
        made = scenario(*steps, lasts="1 s", charge=0.5)
        drive = scenario_drive(Rehearsal(prepared), saw, made)
        assert any(report.name == saw for report in drive.replay.reports)
        assert firmware.differs(drive) is None


