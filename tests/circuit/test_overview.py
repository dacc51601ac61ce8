"""The circuit at a glance, and the notes that go with it."""

from __future__ import annotations

import pytest

from simfw.circuit.overview import overview
from tests.circuit.parts import CELL, CHARGER, CONTROLLER, LIGHTS, SENSOR, gadget

COUNTING = """
[gauge]
method = "counting"
capacity = "600 mAh"
power_up = "0 %"
flat = "5 %"
"""
GAUGE = '[gauge]\nthresholds = ["3.5 V", "3.8 V"]\n'


def keys(found) -> list[str]:
    """The keys that have a note."""
    return [note.key for note in found.notes]


def test_bare_cell_has_an_empty_overview():
    """A cell alone: nothing but the note on its resistance."""
    found = overview(gadget())
    assert found.lights == found.sensors == found.bands == found.suggestions == ()
    assert found.charger is None
    assert found.drift is None
    assert keys(found) == ["cell.resistance"]
    assert keys(overview(gadget(CELL.replace('resistance = "180 mΩ"', "")))) == []


def test_whole_gadget_has_all_parts():
    """Lights, sensor, charger and gauge each have their facts."""
    found = overview(gadget(CELL, CHARGER, CONTROLLER, LIGHTS, SENSOR, GAUGE))
    shelf, bars = found.lights
    assert shelf.low_v == pytest.approx(3.05, abs=1e-3)
    assert shelf.full_a > shelf.low_a > 0.0
    assert bars.run_time.ended_by == "protection"
    (sensor,) = found.sensors
    assert sensor.range_full_m > sensor.range_low_m
    assert sensor.range_light_m is None
    assert sensor.verdict is None
    assert sensor.caught == pytest.approx(0.2)
    assert found.charger.heat_w is None
    assert len(found.bands) == 3
    assert len(found.suggestions) == 2
    assert keys(found) == ["cell.resistance", "proximity.wave.emitter.switch",
                           "proximity.wave.every"]  # fmt: skip


def test_cell_without_cut_off_goes_to_empty():
    """Without protection the low end is the empty cell."""
    found = overview(gadget(CELL.replace('cut_off = "3.05 V"', ""), LIGHTS))
    assert found.lights[0].low_v == pytest.approx(3.02, abs=0.02)


@pytest.mark.parametrize(("restart", "warned"), [("3.055 V", True), ("3.25 V", False)])
def test_a_restart_within_the_recovery_is_noted(restart, warned):
    """A protection that closes below what the cell recovers to goes on and off."""
    text = CELL + f'restart = "{restart}"\n'
    notes = [n.text for n in overview(gadget(text, LIGHTS)).notes if n.key == "cell.restart"]
    assert bool(notes) is warned
    if warned:
        assert notes == [
            "with shelf on the cell recovers to 3.057 V once the protection has opened, and it "
            "closes at 3.055 V: it goes on and off"
        ]


def test_bright_light_shortens_the_range():
    """A second threshold gives a second, shorter range."""
    text = SENSOR.replace("receiver = {", 'receiver = { threshold_in_light = "2.8 mW/m2",')
    (sensor,) = overview(gadget(CELL, text)).sensors
    assert sensor.range_light_m == pytest.approx(sensor.range_full_m / 4**0.25, rel=1e-9)


def test_storage_time_and_long_waves_need_no_note():
    """What is known or certain is not warned of."""
    text = SENSOR.replace('kind = "npn"', 'kind = "npn", storage = "300 ns"')
    found = overview(gadget(CELL, text), wave_s=0.25)
    assert keys(found) == ["cell.resistance"]
    assert found.sensors[0].caught == 1.0


def test_sensor_without_emitter():
    """A receiver alone has no range and no current."""
    text = SENSOR[: SENSOR.index("[proximity.wave.emitter]")]
    (sensor,) = overview(gadget(CELL, text)).sensors
    assert sensor.emitter_full_a == 0.0
    assert sensor.range_power is None


def test_counting_gauge_drifts():
    """A gauge that counts has a drift instead of bands."""
    found = overview(gadget(CELL + 'leakage = "3 uA"\n', COUNTING))
    assert found.drift is not None
    assert found.drift.unseen_per_day == pytest.approx(3e-6 * 86400 / 2160)
    assert found.drift.scale == pytest.approx((65 / 60, 65 / 60))


def test_heat_of_the_charger_is_that_of_the_mode_that_stands_there():
    """The fast charge begins where the trickle has brought the terminal to its mark.

    By hand: at 3.5 V with a tenth of 1000 V / 3.3 kΩ; the rest of the current raises the terminal
    by nine tenths of it through 180 mΩ. A mark that is met late leaves most to the trickle.
    """
    fast_a = 1000 / 3300
    text = CHARGER.replace("2.9 V", "3.5 V") + '[charger.input]\nvoltage = "5 V"\n'
    found = overview(gadget(CELL, text)).charger.heat_w
    assert found == pytest.approx((5 - 3.5 - 0.9 * fast_a * 0.18) * fast_a, rel=2e-3)
    trickle = overview(gadget(CELL, text.replace("3.5 V", "4.19 V"))).charger.heat_w
    assert trickle is not None
    assert found is not None
    assert trickle < found


def test_charger_that_cannot_end_is_noted():
    """A charger that goes on for ever says why; no load is blamed that is not there."""
    text = CHARGER.replace("4.20 V", "4.35 V") + '[charger.input]\nvoltage = "5 V"\n'
    alone = overview(gadget(CELL, text))
    assert alone.charger.charge_time.ends
    assert not [note.text for note in alone.notes if note.key == "charger"]
    found = overview(gadget(CELL, text, '[controller]\nasleep = "65 mA"\n'))
    assert found.charger.heat_w == pytest.approx((5 - 3.08) * 1000 / 3300, rel=0.1)
    assert [note.text for note in found.notes if note.key == "charger"] == [
        "full, but the load keeps the charger at 65 mA"
    ]


def test_a_wave_that_is_as_long_as_the_looks_are_apart_is_never_missed():
    """150 ms every 150 ms, one echo enough: what rounding leaves of the chance is no note."""
    text = 'every = "150 ms"\nagree = 1\n'
    (sensor,) = (found := overview(
        gadget(CELL, SENSOR.replace("burst = 24\n", f"burst = 24\n{text}")))).sensors
    assert sensor.wave_s == pytest.approx(sensor.certain_wave_s)
    assert "proximity.wave.every" not in keys(found)
