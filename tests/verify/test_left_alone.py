"""What gadgets come to that are left alone, or with a contact that sticks, for hours."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from simfw.engine.simulator import Simulation
from simfw.verify.check import check_gadget
from tests.dials.made import gadget

DIMMER = """
[gadget]
name = "A key that repeats"
[cell]
curve = "lco"
capacity = "500 mAh"
[controller]
asleep = "2 uA"
[loads.lamp]
current = "10 mA"
[buttons.up]
debounce = "20 ms"
hold = "600 ms"
repeat = "150 ms"
[behaviour.lamp]
starts = "off"
states.off = {}
states.lit = { lamp = "on" }
rows = [
  { on = "up.click", from = "off", to = "lit" },
  { on = "up.hold", from = "lit", to = "off" },
  { on = "up.repeat", from = "*", to = "same" },
  { after = "8 h", from = "lit", to = "off" },
]
"""


def test_what_a_stuck_key_repeats_for_hours_is_not_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody asks for these events, of which there are 192,000 in eight hours of each place, and
    what is found is not touched by that.
    """
    count = 0
    emit = Simulation.emit

    def counted(self: Simulation, names: Sequence[str], time_ns: int) -> None:
        nonlocal count
        count += len(names)
        emit(self, names, time_ns)

    monkeypatch.setattr(Simulation, "emit", counted)
    report = check_gadget(gadget(DIMMER, ""))
    assert count < 10_000
    assert report.reached_all
    assert not report.faults
