"""Instants without end in the search for vectors: given up as soon as all is as it was before."""

from __future__ import annotations

import pytest

from simfw.engine.simulator import Prepared
from simfw.errors import EndlessInstant
from simfw.gadget.model import Gadget
from simfw.vectors.faults import Twist
from simfw.vectors.faulty import Driven
from simfw.vectors.sketch import Act, Sketch

SOON = 1_000  # rows that fire until then
GADGET = Gadget.model_validate({
    "gadget": {"name": "Chase"}, "cell": {"curve": "lco", "capacity": "650 mAh"},
    "lights": {"lamp": {"forward": ["2.0 V @ 5 mA", "2.1 V @ 20 mA"], "resistor": "47R"}},
    "charger": {"current": "200 mA", "float": "4.2 V"},
    "behaviour": {"lamp": {
        "starts": "off", "states": {"off": {}, "left": {"lamp": "on"}, "right": {}},
        "rows": [{"from": "off", "on": "usb.in", "to": "left"},
                 {"from": "left", "after": "0 s", "to": "right"},
                 {"from": "right", "after": "0 s", "to": "left"}]}},
})  # fmt: skip


def plugged(twist: Twist) -> Driven:
    """A firmware with a slip whose supply has come, and USB by now."""
    prepared = Prepared(GADGET)
    firmware = Driven(prepared.system, GADGET.segments, twist)
    firmware.stepper.run_instant(0, power_up=True)
    firmware.levels["usb"] = 1
    firmware.stepper.fired = []
    return firmware


def test_a_sketch_gives_up_an_instant_without_end_soon() -> None:
    """Not after the ten thousand events that make it one."""
    prepared = Prepared(GADGET)
    sketch = Sketch(prepared.system, prepared.circuit, GADGET.segments)
    sketch.start(0.5)
    with pytest.raises(EndlessInstant):
        sketch.act([Act(0, "usb", "usb", 1.0)])
    assert 0 < len(sketch.stepper.fired or ()) < SOON


def test_a_firmware_with_a_fault_does_so_too() -> None:
    """Whatever its slip, as far as that is as before, too."""
    firmware = plugged(Twist(first="behaviour.lamp.rows[1]"))
    with pytest.raises(EndlessInstant):
        firmware.stepper.run_instant(10, ["usb.edge"])
    assert 0 < len(firmware.stepper.fired or ()) < SOON


def test_what_a_slip_counts_is_not_as_before() -> None:
    """A row that fires twice and never again brings the chase to its end, also where it is looked
    for what has been before from the first event on.
    """
    firmware = plugged(Twist(third="behaviour.lamp.rows[1]"))
    firmware.stepper._looked_from = 0
    firmware.stepper.run_instant(10, ["usb.edge"])
    assert firmware.stepper.state_name("lamp") == "left"
