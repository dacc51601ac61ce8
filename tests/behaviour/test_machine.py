"""Regions as machines: what may happen, stepping, memory, loops, diagrams."""

import pytest

from simfw.behaviour.machine import ReferenceStepper, RegionMachine, diagram
from simfw.errors import EndlessInstant
from simfw.quantity import format_duration
from tests.behaviour.bench import Bench, World

LAMP = """
[buttons.power]
debounce = "0 s"
hold = "1 s"
[behaviour.lamp]
starts = "dark"
resume_points = ["lit.full", "lit.half"]
states.dark = {}
states."lit.full" = {}
states."lit.half" = {}
states.locked = {}
rows = [
  { on = "power.click", from = "dark", to = "resume", when = "not usb" },
  { on = "power.click", from = "lit.*", to = "dark" },
  { on = "power.hold", from = "lit.full", to = "lit.half" },
  { on = "power.hold", from = "locked", to = "same" },
  { after = "1 min", from = "lit.*", to = "dark", emit = "timeout" },
]
[charger]
current = "300 mA"
float = "4.2 V"
"""


def test_what_may_happen_can_be_asked_without_moving():
    """Guards are read, nothing moves; an event that no row of the state hears may not."""
    bench = Bench(LAMP)
    assert bench.stepper.may("power.click", bench.world) == ("lamp",)
    assert bench.stepper.may("power.hold", bench.world) == ()
    assert bench.stepper.may("power.press", bench.world) == ("power.gesture",)
    assert bench.stepper.may("nothing.ever", bench.world) == ()
    bench.world.flags["usb"] = True
    assert bench.stepper.may("power.click", bench.world) == ()
    assert bench.state("lamp") == "dark"


def test_a_single_region_can_be_stepped_by_hand():
    """Hear events, let dwells expire, see which rows fired and what is waited for."""
    machine = RegionMachine(Bench(LAMP).system.region("lamp"))
    machine.view = World()
    assert machine.heard() == ("power.click",)
    fired = machine.hear("power.click")
    assert fired is not None
    assert fired.key == "behaviour.lamp.rows[0]"
    assert machine.state == "lit.full"
    assert machine.heard() == ("power.click", "power.hold")
    assert machine.hear("power.release") is None
    timeout = machine.region.rows[4]
    assert machine.expire(timeout) is timeout
    assert machine.state == "dark"
    assert machine.expire(timeout) is None


def test_resume_goes_to_the_point_used_last():
    """First the first point, then the one that was left; power loss forgets it."""
    bench = Bench(LAMP)
    machine = bench.stepper.machines[-1]
    machine.view = World()
    machine.hear("power.click")
    assert machine.state == "lit.full"
    machine.hear("power.hold")
    machine.hear("power.click")
    assert machine.state == "dark"
    assert machine.remembered == "lit.half"
    machine.hear("power.click")
    assert machine.state == "lit.half"
    machine.restart()
    assert (machine.state, machine.remembered) == ("dark", None)


def test_an_instant_that_never_ends_names_its_loop():
    """Two regions that answer each other without time passing."""
    text = """
[behaviour.a]
starts = "x"
states.x = {}
states.y = {}
rows = [ { after = "1 s", from = "x", to = "y", emit = "ping" },
         { on = "pong", from = "y", to = "y", emit = "ping" } ]
[behaviour.b]
starts = "x"
states.x = {}
rows = [ { on = "ping", from = "x", to = "same", emit = "pong" } ]
"""
    bench = Bench(text)
    with pytest.raises(EndlessInstant) as caught:
        bench.until(2000)
    assert str(caught.value) == (
        "At 1 s more than 10000 events follow one another without time passing: "
        "behaviour.a.rows[1] -> behaviour.b.rows[0]. Give one of these rows a dwell or a guard."
    )


def test_a_dwell_counts_from_the_entry_into_the_present_state():
    """Also where `from` is a family: moving within it starts the time anew."""
    bench = Bench(LAMP)
    bench.contact("power", 0, 10, 30_000, 31_500)
    events = bench.until(200_000)
    assert events[-1] == (91_000, "timeout")


def test_a_stepper_says_when_nothing_is_running():
    """No dwell, no due time."""
    bench = Bench('[behaviour.a]\nstarts = "x"\nstates.x = {}\n')
    assert bench.stepper.next_due() is None
    assert bench.stepper.settle(5, bench.world) == []


def test_a_reset_forgets_what_was_queued():
    """Zero dwells of the start states are queued once, however often power returns."""
    text = ('[behaviour.a]\nstarts = "x"\nstates.x = {}\nstates.y = {}\n'
            'rows = [ { after = "0 s", from = "x", to = "y", emit = "done" } ]\n')  # fmt: skip
    stepper = ReferenceStepper(Bench(text).system)
    stepper.reset(0)
    stepper.reset(5)
    assert stepper.run_instant(5, (), World()) == ["done"]


def test_a_diagram_shows_every_row():
    """Events, dwells, guards and emitted events stand on the arrows; resume has one per point."""
    text = diagram(Bench(LAMP).system.region("lamp"), format_duration)
    arrows = [line.strip() for line in text.splitlines() if "-->" in line]
    assert text.splitlines()[:4] == ["---", "title: lamp", "---", "stateDiagram-v2"]
    assert '  state "lit.full" as lit_full' in text.splitlines()
    assert arrows == [
        "dark --> lit_full: power.click [not usb] (resume)",
        "dark --> lit_half: power.click [not usb] (resume)",
        "lit_full --> dark: power.click | after 1 min / timeout",
        "lit_full --> lit_half: power.hold",
        "lit_half --> dark: power.click | after 1 min / timeout",
        "locked --> locked: power.hold [internal]",
        "[*] --> dark",
    ]


def test_each_region_is_handed_out_as_a_machine():
    """Guards ask the other machines and the world; there are no automatic transitions."""
    from simfw import load_gadget, machines
    from tests.engine.bench import LARDER_LAMP

    handed = machines(load_gadget(LARDER_LAMP))
    assert list(handed)[:2] == ["power.contact", "power.gesture"]
    lamp, cell = handed["lamp"].model, handed["cell"].model
    handed["cell"].set_state("flat")
    lamp.trigger("power.click")
    assert lamp.state == "dark"  # not cell.flat
    handed["cell"].set_state("fine")
    lamp.trigger("power.click")
    assert (lamp.state, cell.state) == ("lit.full", "fine")
    lamp.trigger("dwell: behaviour.lamp.rows[7]")
    assert lamp.state == "dark"
    assert not any(name.startswith("to_") for name in handed["lamp"].events)
    # docs/reference/behaviour.md: of an unhandled pair nothing happens.
    assert not lamp.trigger("level.click")
    assert lamp.state == "dark"


def test_the_world_of_a_machine_may_be_anothers():
    """A contact that the world calls closed lets the bounce end in a press."""
    from simfw import machines
    from tests.behaviour.bench import World
    from tests.engine.bench import gadget_of

    world = World()
    text = '[gadget]\nname = "G"\n[cell]\ncurve = "lco"\ncapacity = "1 Ah"\n[buttons.key]\n'
    contact = machines(gadget_of(text), world)["key.contact"]
    model = contact.model
    model.trigger("key.edge")
    assert model.state == "bouncing"
    world.flags["key.closed"] = True
    assert model.may_trigger("dwell: buttons.key.debounce#2")
    world.flags["key.closed"] = False
    assert not model.may_trigger("dwell: buttons.key.debounce#2")
