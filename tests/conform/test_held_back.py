"""What is said where a firmware does what a guard of the model holds back, and how its stimuli are
made shorter.
"""

from __future__ import annotations

import pytest

from simfw.conform.firmware import Difference, Drive, _gestures
from simfw.conform.placed import Placed, placed
from simfw.engine.prepared import Prepared
from simfw.vectors.build import Rehearsal
from simfw.vectors.sketch import Act
from tests.dials.made import gadget

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
    return [Act((at_ms + by) * MS, "contact", name, float(not by)) for by in (0, 50)]


def told(acts: list[Act], at_ms: int, told: str, expected: str = "nothing") -> Placed:
    """Where the model was when a firmware told something else."""
    prepared = Prepared(gadget(LAMP, ""))
    ends_ns = 5000 * MS
    replay = Rehearsal(prepared).play(charge=0.5, acts=acts, ends_ns=ends_ns)
    found = Difference(drive=Drive("by hand", 0.5, tuple(acts), ends_ns, replay),
                       time_ns=at_ms * MS, expected=expected, told=told)  # fmt: skip
    return placed(prepared, found)


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
