"""Toggles: a contact with two positions, read by the firmware or in its supply."""

from __future__ import annotations

import dataclasses
import shutil
import subprocess
from pathlib import Path

import pytest

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.pins import check_pins
from simfw.engine.simulator import simulate
from simfw.report.record import recording_text
from simfw.report.stretches import input_lanes
from simfw.stimuli.recording import open_recording
from simfw.stimuli.scenario import Toggle, to_toml
from tests.behaviour.bench import MS, Bench
from tests.inputs.made import DRAWER, gadget, heard, run, scenario

CONTACT = """
[toggles.slide]
debounce = "10 ms"
"""


def test_a_toggle_settles_at_the_end_of_its_debounce_time() -> None:
    """Every edge begins the time anew; an edge at its very end undoes it; there and back is none.

    Walked by hand: closed at 50 ms, opened at 55 ms, closed at 57 ms: closed counts at 67 ms. Open
    at 100 ms and closed in the instant at which the 10 ms end, 110 ms: nothing. Open at 200 ms:
    opened counts at 210 ms.
    """
    bench = Bench(CONTACT)
    bench.contact("slide", 50, 55, 57, 100, 110, 200)
    assert bench.until(300) == [(67, "slide.closed"), (210, "slide.opened")]
    assert bench.state("slide") == "off"


def test_a_toggle_that_stands_otherwise_at_power_up_counts_after_its_debounce_time() -> None:
    """Power comes with the contact closed and `starts` off: `closed` 10 ms later, and no edge."""
    bench = Bench(CONTACT)
    bench.world.flags["slide.closed"] = True
    assert bench.state("slide") == "off.bouncing"
    assert bench.until(50) == [(10, "slide.closed")]


def test_a_toggle_that_starts_on_says_nothing_while_it_is_on() -> None:
    """The firmware takes it for on, finds it on, and tells of the first time that it opens."""
    bench = Bench(CONTACT + 'starts = "on"\n')
    bench.world.flags["slide.closed"] = True
    assert bench.state("slide") == "on.bouncing"
    bench.at(100, "slide.edge", flags={"slide.closed": False})
    assert bench.until(200) == [(110, "slide.opened")]


def test_a_drawer_lights_its_lamp(tmp_path: Path) -> None:
    """In a run: lit 10 ms after the contact closes and not before; a short opening is ignored."""
    result = run(tmp_path, DRAWER, """
        at = "5 s", toggle = "drawer", to = "on"
        at = "5.0099 s", expect = "lamp.dark and not drawer.on"
        at = "5.01 s", expect = "lamp.lit and drawer.on"
        at = "20 s", toggle = "drawer", to = "off"
        at = "20.005 s", toggle = "drawer", to = "on"
        at = "21 s", expect = "lamp.lit"
        at = "25 s", toggle = "drawer", to = "on"
        at = "30 s", toggle = "drawer", to = "off"
    """)
    s = 10**9
    assert heard(result) == [
        (5 * s + 10 * MS, "drawer.closed"), (30 * s + 10 * MS, "drawer.opened")]
    assert input_lanes(result) == [("drawer on", [(5 * s, 20 * s), (20 * s + 5 * MS, 30 * s)])]


def test_a_hall_part_draws_its_supply_while_the_controller_has_one() -> None:
    """3 uA beside controller and lamp; nothing where the supply is cut off."""
    circuit = Circuit(gadget(DRAWER))
    row = circuit.consumers.index("drawer.supply")
    for controller, amps in (("asleep", 3e-6), ("awake", 3e-6), ("off", 0.0)):
        solved = circuit.solve(LoadSet(controller=controller), [0.5])  # type: ignore[arg-type]
        assert solved.consumers_a[row, 0] == pytest.approx(amps)


def test_a_toggle_in_the_supply_cuts_everything_but_the_cell_off(tmp_path: Path) -> None:
    """Dead from 10 s to 40 s: only the leakage of the protection flows, nothing is remembered.

    In 60 s: leakage 60 s x 1 uA. The lamp from 5.01 s to 10 s and from 40.01 s on, since the drawer
    is found open at power-up: (4.99 + 19.99) s x 10 mA. The Hall part 30 s x 3 uA. The controller
    30 s x 2 uA, and 1 mA while it debounces: at power-up and after the edge at 5 s.
    """
    result = run(tmp_path, DRAWER, """
        at = "5 s", toggle = "drawer", to = "on"
        at = "10 s", toggle = "main", to = "off"
        at = "10 s", expect = "lamp.dark and not drawer.on and lamp <= 0"
        at = "20 s", press = "key", for = "1 s"
        at = "40 s", toggle = "main", to = "on"
        at = "40 s", expect = "lamp.dark and not drawer.on"
        at = "40.01 s", expect = "lamp.lit and drawer.on"
    """)
    used = {use.name: use.charge_c for use in result.consumers}
    assert used["leakage"] == pytest.approx(60e-6)
    assert used["lamp"] == pytest.approx((4.99 + 19.99) * 10e-3)
    assert used["drawer.supply"] == pytest.approx(30 * 3e-6)
    awake_s = 3 * 0.010
    assert used["controller"] == pytest.approx(awake_s * 1e-3 + (30 - awake_s) * 2e-6)
    assert result.empty_at_ns is None
    assert [name for _, name in heard(result)] == ["drawer.closed", "drawer.closed"]


def test_a_cut_supply_lasts_over_a_continuation(tmp_path: Path) -> None:
    """Two runs of 30 s with the supply cut between equal one of 60 s."""
    whole = scenario(tmp_path, DRAWER, """
        at = "5 s", toggle = "drawer", to = "on"
        at = "20 s", toggle = "main", to = "off"
        at = "40 s", toggle = "main", to = "on"
    """)
    assert whole.gadget is not None
    half = 30 * 10**9
    first = dataclasses.replace(whole, lasts_ns=half, steps=whole.steps[:2])
    then = dataclasses.replace(whole, lasts_ns=half, steps=tuple(
        dataclasses.replace(step, at_ns=step.at_ns - half) for step in whole.steps[2:]))
    one = simulate(whole.gadget, whole)
    two = simulate(whole.gadget, then, resume=simulate(whole.gadget, first).final)
    assert two.end_charge == pytest.approx(one.end_charge, rel=1e-12)
    assert two.final.regions == one.final.regions
    assert heard(two) == heard(one)[1:]


def test_a_charger_charges_with_the_supply_cut_off(tmp_path: Path) -> None:
    """The toggle sits behind the charger: the cell fills, and the charge region hears nothing."""
    text = DRAWER.replace("[controller]", '[charger]\ncurrent = "100 mA"\nfloat = "4.2 V"\n'
                          'status = "low while charging"\n[controller]')
    result = run(tmp_path, text, """
        at = "1 s", toggle = "main", to = "off"
        at = "2 s", usb = true
        at = "600 s", toggle = "main", to = "on"
        at = "600 s", expect = "charge.charging"
    """, lasts="11 min")
    assert result.end_charge > 0.9
    assert heard(result) == [(600 * 10**9, "usb.in"), (600 * 10**9, "charge.started")]


@pytest.mark.parametrize("kind", [".csv", ".vcd"])
def test_a_recording_of_toggles_reads_back_to_the_same_steps(tmp_path: Path, kind: str) -> None:
    """Also of one that starts on: its column rests at 1."""
    from simfw.stimuli.recording.mapfile import own_map
    from simfw.stimuli.recording.signals import observe

    text = DRAWER.replace('supply = "3 uA"', 'supply = "3 uA"\nstarts = "on"')
    made = scenario(tmp_path, text, """
        at = "5 s", toggle = "drawer", to = "off"
        at = "10 s", toggle = "main", to = "off"
        at = "12 s", toggle = "drawer", to = "on"
        at = "15 s", toggle = "main", to = "on"
    """)
    assert made.gadget is not None
    file = tmp_path / f"record{kind}"
    file.write_text(recording_text(simulate(made.gadget, made), kind), encoding="utf-8")
    recording = open_recording(file)
    mapped = own_map(recording, made.gadget)
    assert mapped is not None
    assert observe(recording, mapped, made.gadget).steps == made.steps


def test_a_step_of_a_toggle_writes_and_reads_equal(tmp_path: Path) -> None:
    """As the text of a scenario file."""
    made = scenario(tmp_path, DRAWER, 'at = "1.5 s", toggle = "drawer", to = "on"')
    assert made.steps == (Toggle(at_ns=1_500 * MS, toggle="drawer", closed=True),)
    assert '{ at = "1.5 s", toggle = "drawer", to = "on" }' in to_toml(made, tmp_path)


@pytest.mark.skipif(shutil.which("make") is None or shutil.which("cc") is None,
                    reason="needs a C compiler")
@pytest.mark.parametrize("starts", ["off", "on"])
def test_the_c_of_a_toggle_does_what_the_model_does(
    tmp_path: Path, starts: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Vectors, power-up with the contact on either side, and random stimuli."""
    from simfw.cli import main

    monkeypatch.chdir(tmp_path)
    text = DRAWER.replace('supply = "3 uA"', f'supply = "3 uA"\nstarts = "{starts}"')
    scenario(tmp_path, text, 'at = "1 s", toggle = "drawer", to = "on"')
    assert main(["source", "gadget.toml", "-o", "firmware"]) == 0
    subprocess.run(["make", "-s", "harness"], cwd=tmp_path / "firmware", check=True)
    assert main(["conform", "gadget.toml", "--against", "firmware/harness", "--examples", "60",
                 "--also", "scenario.toml"]) == 0
    assert "Conforms" in capsys.readouterr().out


def test_a_pin_of_a_toggle_is_judged_in_both_positions() -> None:
    """With a pull-up the closed contact reads low and the open one high, in every power state."""
    text = DRAWER.replace('asleep = "2 uA"', 'asleep = "2 uA"\npull_up = "35k"\n'
                          'limits = { input_low = "30 %", input_high = "70 %" }')
    report = check_pins(gadget(text + '[pins.drawer]\nsource = "toggle.drawer"\npull_up = true\n'))
    seen = {row.source: tuple(row.levels) for row in report.rows if row.power == "running"}
    assert seen == {"drawer on": ("low",), "drawer off": ("high",)}
    assert not any(finding.fault for finding in report.findings)
