"""What is said of a difference beside the rows that fired (guards that held a row back, power-up,
sequences, levels close together), of one that conforms; and how stimuli are made shorter.
"""

from __future__ import annotations

import pytest

from simfw.conform.firmware import Drive, _gestures
from simfw.conform.outcome import Compared
from simfw.conform.placed import Placed
from simfw.engine.prepared import Prepared
from simfw.vectors.build import Rehearsal
from simfw.vectors.sketch import Act
from tests.conform.differing import differing
from tests.dials.made import gadget
from tests.vectors.acts import pressed

MS = 1_000_000
LAMP = """
[gadget]
name = "Cupboard light"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.lamp]
current = "10 mA"
[buttons.key]
debounce = "5 ms"
[buttons.lock]
debounce = "5 ms"
[behaviour.door]
starts = "locked"
states.locked = {}
states.free = {}
rows = [{ on = "lock.press", from = "locked", to = "free" }]
[behaviour.light]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.press", from = "dark", when = "door.free", to = "lit" },
  { on = "key.press", from = "lit", to = "dark" },
  { after = "1 s", from = "lit", when = "door.locked", to = "dark" },
]
"""


def press(name: str, at_ms: int) -> list[Act]:
    """A press of 50 ms."""
    return pressed(name, (at_ms, 50))


WINK = """
[gadget]
name = "Shelf mark"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.mark]
current = "10 mA"
[loads.lamp]
current = "10 mA"
[controller]
awake = "1 mA"
asleep = "1 uA"
[buttons.key]
debounce = "5 ms"
[buttons.tap]
debounce = "5 ms"
style = "first-edge"
[sequences.wink]
steps = ["on for 40 ms", "off for 960 ms"]
[dials.dim]
values = ["4.9508 %", "100 %"]
rows = [{ on = "tap.press", step = 1 }]
[behaviour.shelf]
starts = "dark"
states.dark = {}
states.lit = { mark = "wink", lamp = "dim" }
rows = [
  { on = "key.press", from = "dark", to = "lit" },
  { after = "10 s", from = "lit", to = "dark" },
]
"""


def told(acts: list[Act], at_ms: int, told: str, expected: str = "nothing", text: str = LAMP
         ) -> Placed:  # fmt: skip
    """Where the model was when a firmware told something else."""
    return differing(text, acts, 5000, at_ms, expected, told)[1]


def test_a_guard_that_a_firmware_leaves_out_is_named_with_what_it_reads() -> None:
    """Worked by hand: a press is heard 5 ms after its edge; the door is locked, so nothing is lit.
    The row whose guard held it back is named, and the state of the door beside that of the light.
    """
    place = told(press("key", 1000), 1005, f"out {1005 * MS} lamp 1000000")
    assert [(row.key, row.standing, row.heard) for row in place.rows] == [
        ("behaviour.light.rows[0]", "unmet", "key.press")]  # fmt: skip
    assert place.rows[0].requirement in place.requirements
    assert [f"{one.region}.{one.state}" for one in place.stood] == ["door.locked", "light.dark"]
    assert place.lines()[1].startswith(
        "Row behaviour.light.rows[0] heard key.press and did not fire: its guard did not hold: ")


def test_a_guard_that_held_at_the_end_of_a_time_is_told_as_before() -> None:
    """The light is lit at 2.005 s, its second ends at 3.005 s with the door free."""
    acts = [*press("lock", 1000), *press("key", 2000)]
    place = told(acts, 3005, f"out {3005 * MS} lamp 0")
    assert [(row.key, row.standing, row.heard) for row in place.rows] == [
        ("behaviour.light.rows[2]", "unmet", None)]  # fmt: skip
    assert " ran out of its time and did not fire" in str(place.rows[0])


@pytest.mark.parametrize(("at_ms", "standing"), [(2400, ["due"]), (4000, [])])
def test_only_what_is_tried_in_that_instant_is_told_as_held_back(
    at_ms: int, standing: list[str]
) -> None:
    """In 2.4 s nothing is heard and a time runs; at 4 s that time is long over."""
    acts = [*press("lock", 1000), *press("key", 2000)]
    place = told(acts, at_ms, f"out {at_ms * MS} lamp 0")
    assert [row.standing for row in place.rows] == standing


def test_a_row_that_fires_is_told_with_the_states_that_its_guard_reads() -> None:
    """A firmware that leaves the light out with the door free: it may have asked for another."""
    acts = [*press("lock", 1000), *press("key", 2000)]
    place = told(acts, 2005, "nothing", f"out {2005 * MS} lamp 1000000")
    assert [(row.key, row.standing) for row in place.rows] == [
        ("behaviour.light.rows[0]", "fired")]
    assert [f"{one.region}.{one.state}" for one in place.stood] == ["door.free", "light.dark"]


def test_what_changes_nothing_parts_no_change_from_its_change_back() -> None:
    """A contact that opens though it was open is a group of its own; so is one that closes where it
    is closed at rest. One that was closed before power-up belongs to its opening.
    """
    idle = [Act(1 * MS, "contact", "key", 0.0), *press("key", 10), *press("key", 100)]
    assert sorted(_gestures(idle, {"key": False})) == [(0,), (1, 2), (3, 4)]
    held = [Act(0, "held", "key", 1.0), Act(1 * MS, "contact", "key", 0.0), *press("key", 10)]
    assert sorted(_gestures(held, {"key": False})) == [(0, 1), (2, 3)]
    rests = [Act(1 * MS, "contact", "key", 1.0), Act(5 * MS, "contact", "key", 0.0),
             Act(9 * MS, "contact", "key", 1.0)]
    assert sorted(_gestures(rests, {"key": True})) == [(0,), (1, 2)]


def test_a_contact_that_was_open_before_power_up_is_told_as_open() -> None:
    """One that rests closed is held open there."""
    assert Act(0, "held", "lid", 0.0).text == "lid is open already"
    assert Act(0, "held", "lid", 1.0).text == "lid is closed already"


def test_the_step_of_a_sequence_is_told_with_the_sentence_of_its_output() -> None:
    """Lit at 1.005 s, the mark goes off 40 ms later by its sequence: the time that runs is no
    cause.
    """
    place = told(press("key", 1000), 1045, "nothing", f"out {1045 * MS} mark 0", WINK)
    assert [one.text for one in place.requirements if "`wink`" in one.text] == [
        place.requirements[0].text]
    assert place.rows == ()
    assert [f"{one.region}.{one.state}" for one in place.stood] == ["shelf.lit"]
    assert "look at mark 45 ms later: the model has it off from 1.045 s on" in place.bench


def test_levels_that_differ_by_a_millionth_are_told_apart() -> None:
    """4.9508 % and 4.9507 % have the same three digits; the table of the dial is named."""
    place = told(press("key", 1000), 1005, f"out {1005 * MS} lamp 49507",
                 f"out {1005 * MS} lamp 49508", WINK)  # fmt: skip
    assert "the model has it at 4.9508 % from" in place.bench
    assert "the firmware has it at 4.9507 % from" in place.bench
    assert any("the table of `dim`" in one.text for one in place.requirements)


def test_levels_that_are_far_apart_keep_three_digits() -> None:
    """One hundred per cent and about five."""
    place = told(press("key", 1000), 1005, f"out {1005 * MS} lamp 1000000",
                 f"out {1005 * MS} lamp 49508", WINK)  # fmt: skip
    assert "at 4.95 % from" in place.bench


def test_what_keeps_the_controller_awake_is_told_of_a_sleep_too_early() -> None:
    """At 1.003 s the contact settles, up to 1.005 s: its region is told, and what is due there."""
    place = told(press("key", 1000), 1003, f"sleep {1003 * MS}", text=WINK)
    assert "key.contact.bouncing" in {f"{one.region}.{one.state}" for one in place.stood}
    assert {(row.region, row.standing, row.time_ns) for row in place.rows} == {
        ("key.contact", "due", 1005 * MS)}


def test_after_a_loss_of_the_supply_the_new_beginning_is_named() -> None:
    """A firmware that keeps what it should forget; without a loss nothing is said of power-up."""
    cut = [Act(500 * MS, "supply", "supply", 0.0), Act(600 * MS, "supply", "supply", 1.0)]
    at = 1005 * MS
    for acts, numbers in ((cut, 1), ([], 0)):
        place = told([*acts, *press("key", 1000)], 1005, f"out {at} lamp 1000000",
                     f"out {at} lamp 49508", WINK)  # fmt: skip
        assert sum(one.number.startswith("ORDER") for one in place.requirements) == numbers


@pytest.mark.parametrize("name", ["key", "tap"])
def test_a_contact_that_is_closed_before_power_up_has_a_requirement_that_is_kept(name: str) -> None:
    """Nothing is emitted before the contact opens, nor for its opening; the sentence is named where
    a firmware takes it for a press.
    """
    acts = [Act(0, "held", name, 1.0), Act(1000 * MS, "contact", name, 0.0)]
    replay = Rehearsal(Prepared(gadget(WINK, ""))).play(charge=0.5, acts=acts, ends_ns=3000 * MS)
    assert [event for event in replay.events if event[1].startswith(name)] == []
    place = told(acts[:1], 5, f"event {5 * MS} {name}.press", text=WINK)
    assert [one.part for one in place.requirements
            if "is closed before power-up" in one.text] == [f"{name}.contact"]


@pytest.mark.parametrize(("kinds", "acts", "is_said"), [
    (("out",), press("key", 1000), True),
    (("out", "sleep", "wake"), press("key", 1000), True),
    (("event", "out"), press("key", 1000), False),
    (("out",), [], False),
])  # fmt: skip
def test_a_firmware_that_conforms_without_events_is_told_what_was_not_seen(
    kinds: tuple[str, ...], acts: list[Act], is_said: bool
) -> None:
    """Where the model has events and the firmware tells none; else nothing is said."""
    replay = Rehearsal(Prepared(gadget(LAMP, ""))).play(charge=0.5, acts=acts, ends_ns=2000 * MS)
    drive = Drive("by hand", 0.5, tuple(acts), 2000 * MS, replay)
    lines = Compared(drives=[drive], recordings=0, random_lists=0, kinds=kinds, within_ns=0,
                     tick_ns=1, host_only=0, parted=None).lines()  # fmt: skip
    assert lines[0].startswith("Conforms: ")
    assert any("tells no events" in line for line in lines) == is_said
