"""The charge region, for each kind of status pin."""

from tests.behaviour.bench import Bench


def charger(status=None):
    """A charger of 300 mA."""
    line = "" if status is None else f'status = "{status}"\n'
    return '[charger]\ncurrent = "300 mA"\nfloat = "4.2 V"\n' + line


def test_without_a_status_pin_only_usb_is_known():
    """The firmware waits; whether the cell is charging it cannot know."""
    bench = Bench(charger())
    bench.usb(10, True)
    bench.usb(500, False)
    bench.until(100)
    assert bench.state("charge") == "waiting"
    assert bench.until(1000) == [(10, "usb.in"), (500, "usb.out")]
    assert bench.system.raw_events == ("usb.edge",)
    assert bench.system.names.flags == ("usb",)


def test_a_pin_low_while_charging_tells_start_finish_and_top_up():
    """Low: charging. Released: complete. Low again: the cell is topped up."""
    bench = Bench(charger("low while charging"))
    bench.usb(10, True)
    bench.status(10, low=True)
    bench.status(500, high=True)
    bench.status(900, low=True)
    bench.usb(950, False)
    bench.status(950, high=True)
    assert bench.until(1000) == [
        (10, "usb.in"), (10, "charge.started"), (500, "charge.completed"),
        (900, "charge.started"), (950, "usb.out"),
    ]  # fmt: skip
    assert bench.state("charge") == "unplugged"


def test_a_pin_high_while_charging_tells_the_same():
    """The same with the other polarity."""
    bench = Bench(charger("high while charging"))
    bench.usb(10, True)
    bench.status(20, high=True)
    bench.status(500, low=True)
    assert bench.until(1000) == [(10, "usb.in"), (20, "charge.started"), (500, "charge.completed")]
    assert bench.state("charge") == "complete"


THREE = "low while charging, high when complete"


def test_a_pin_with_three_levels_tells_a_fault():
    """Neither low nor high while USB is in, after charging: a fault; low again: it goes on."""
    bench = Bench(charger(THREE))
    bench.usb(10, True)
    bench.status(20, low=True)
    bench.status(300)
    bench.status(400, low=True)
    bench.status(500, high=True)
    bench.status(600)
    bench.status(700, high=True)
    bench.status(800, low=True)
    assert bench.until(1000) == [
        (10, "usb.in"), (20, "charge.started"), (300, "charge.fault"), (400, "charge.started"),
        (500, "charge.completed"), (600, "charge.fault"), (700, "charge.completed"),
        (800, "charge.started"),
    ]  # fmt: skip


def test_a_released_pin_before_charging_is_no_fault():
    """While the charger has not begun, a pin that says nothing means nothing."""
    bench = Bench(charger(THREE))
    bench.usb(10, True)
    bench.status(20)
    assert bench.until(1000) == [(10, "usb.in")]
    assert bench.state("charge") == "waiting"


def test_a_full_cell_is_complete_without_charging():
    """The pin goes high at once: complete, without a start."""
    bench = Bench(charger(THREE))
    bench.usb(10, True)
    bench.status(20, high=True)
    assert bench.until(1000) == [(10, "usb.in"), (20, "charge.completed")]


def test_usb_leaving_ends_every_state():
    """From charging, complete and fault alike it goes to unplugged; the pin then says nothing."""
    for last in ({"low": True}, {"high": True}, {}):
        bench = Bench(charger(THREE))
        bench.usb(10, True)
        bench.status(20, low=True)
        bench.status(30, **last)
        bench.usb(40, False)
        bench.status(40)
        assert bench.until(100)[-1] == (40, "usb.out")
        assert bench.state("charge") == "unplugged"


def test_usb_present_at_power_up_is_an_edge():
    """The engine reports it as one; the region takes it like any other."""
    bench = Bench(charger(THREE))
    bench.at(0, ("usb.edge", "status.edge"), flags={"usb": True, "status.low": True})
    assert bench.until(1) == [(0, "usb.in"), (0, "charge.started")]


def test_without_a_charger_there_is_no_charge_region():
    """No region, no flag, no event."""
    system = Bench("[buttons.power]\n").system
    assert [region.name for region in system.regions] == ["power.contact", "power.gesture"]
    assert "usb" not in system.names.flags
    assert not [event for event in system.events if event.startswith(("usb", "charge"))]
