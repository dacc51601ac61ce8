"""What `simfw circuit` and `simfw pins` print."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from simfw.circuit.overview import overview
from simfw.circuit.pins import check_pins
from simfw.cli import main
from simfw.loading import load_gadget
from simfw.report.circuit import circuit_json, circuit_text
from simfw.report.pins import pins_json, pins_text
from tests.circuit.parts import CELL, CHARGER, CONTROLLER, LIGHTS, SENSOR, gadget

LARDER = Path(__file__).parents[2] / "scenarios" / "larder-lamp" / "gadget.toml"
DEMOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*/gadget.toml"))

PINNED = """
[controller.limits]
input_low = "30 %"
input_high = "60 %"
above = "0.5 V"
below = "0.5 V"
[charger.input]
voltage = "5 V"
[pins.sense]
source = "usb"
series = "10k"
to_ground = "15k"
[pins.status]
source = "charger.status"
"""


def test_each_load_is_told_with_how_long_a_full_cell_lasts():
    """A constant current, worked out by hand: 1 Ah at 99 mA and 1 mA awake down to the empty cell
    is 10 h; and by a resistance the current is Ohm's law at the terminal.
    """
    made = gadget("""[gadget]
name = "Pond"
[cell]
curve = "lco"
capacity = "1 Ah"
[controller]
awake = "1 mA"
[loads.pump]
current = "99 mA"
[loads.coil]
resistance = "40R"
""")
    found = overview(made)
    assert [load.name for load in found.loads] == ["pump", "coil"]
    pump, coil = found.loads
    assert pump.lasts_s == pytest.approx(36_000.0, rel=1e-9)
    assert pump.ended_by == "empty"
    assert (coil.full_a, coil.low_a) == pytest.approx((coil.full_v / 40, coil.low_v / 40))
    text = circuit_text(made, found)
    assert "Loads, each on with all others off" in text
    assert re.search(r"pump +99 mA at .* V +99 mA at .* V +10 h +the cell is empty", text)
    assert [load["name"] for load in circuit_json(made, found)["loads"]] == ["pump", "coil"]


def test_a_gadget_without_anything_to_tell_says_so():
    """A cell and a controller alone: a sentence in place of a title with nothing below."""
    made = gadget(CELL, CONTROLLER)
    text = circuit_text(made, overview(made))
    assert "No light, load, sensor, charger or gauge" in text
    lit = gadget(CELL, CHARGER, LIGHTS)
    assert "No light" not in circuit_text(lit, overview(lit))


def test_circuit_of_a_small_gadget():
    """The whole text for one light and a charger."""
    text = circuit_text(*[made := gadget(CELL, CHARGER, LIGHTS), overview(made)])
    assert text.splitlines()[:17] == [
        "Bench: the circuit",
        "",
        "Lights, each fully on with all others off",
        "          full cell           low cell            worst part, low cell   run time    "
        "in      ends",
        "  shelf   161 mA at 4.17 V    38.2 mA at 3.05 V   no range given         5.56 h      "
        "alone   when the protection opens",
        "  bars    21.4 mA at 4.19 V   10.6 mA at 3.05 V   no range given         1.52 days   "
        "alone   when the protection opens",
        "  run time: from switch-on on a full cell until 10 % of the light at 30 s (FL 1), in the "
        "mode in which it",
        "  takes most; alone: no mode drives it, or it shows by number; the controller is awake",
        "",
        "Charging",
        "  current              303 mA",
        "  float voltage        4.20 V",
        "  ends below           30.3 mA",
        "  starts again below   4.05 V",
        "  time from cut-off    2.2 h, with the slow end of a real cell up to 2.44 h",
        "",
        "Beware",
    ]
    assert "\nCautions\n" in text


DIALLED = """
[gadget]
name = "Turned up"
[cell]
curve = "lco"
capacity = "500 mAh"
[controller]
asleep = "10 uA"
[lights.page]
forward = ["1.7 V @ 10 mA", "1.9 V @ 100 mA"]
driver = { kind = "sink", current = "100 mA" }
[buttons.up]
[dials.level]
values = ["10 %", "25 %", "100 %"]
starts = 1
rows = [ { on = "up.click", step = 1 } ]
[behaviour.page]
starts = "lit"
states.lit = { page = "level" }
states.half = { page = "on", scale = { page = "50 %" } }
states.dark = {}
rows = [
  { on = "up.press", from = "lit", to = "half" },
  { on = "up.press", from = "half", to = "dark" },
]
"""


def test_a_light_on_a_dial_runs_down_at_the_dials_highest_value(tmp_path, capsys):
    """100 mA empty 500 mAh in five hours; at the start of the dial it would be 20 h, in another
    state 10 h.
    """
    path = tmp_path / "gadget.toml"
    path.write_text(DIALLED, encoding="utf-8")
    assert main(["circuit", str(path), "--json"]) == 0
    (light,) = json.loads(capsys.readouterr().out)["lights"]
    assert light["mode"] == {"page": "lit"}
    assert light["dials"] == {"level": 2}
    assert light["run_time"]["run_time_s"] == pytest.approx(5 * 3600 / 1.0001, rel=1e-4)
    assert main(["circuit", str(path)]) == 0
    text = capsys.readouterr().out
    assert "  5 h " in text
    assert "page lit, level at 100 %" in text
    assert "a dial that the light follows stands at its highest value" in text


def test_a_dial_that_starts_dark_has_a_run_time(tmp_path, capsys):
    """A light that only a dial at 0 % drives at first is not told as one that no mode drives."""
    path = tmp_path / "gadget.toml"
    path.write_text(DIALLED.replace('"25 %"', '"0 %"'), encoding="utf-8")
    assert main(["circuit", str(path), "--json"]) == 0
    (light,) = json.loads(capsys.readouterr().out)["lights"]
    assert light["dials"] == {"level": 2}


def test_a_charge_begins_at_empty_only_without_a_cut_off():
    """The name of the charge time says where it begins."""
    made = gadget(CELL.replace('cut_off = "3.05 V"\n', ""),
                  CHARGER)
    text = circuit_text(made, overview(made))
    assert made.cell.cut_off is None
    assert "  time from empty " in text
    assert "cut-off" not in text


def test_sensor_lines_say_what_is_not_known():
    """Unknown range and rule are said, known ones given."""
    blind = SENSOR.replace('intensity = "36 mW/sr @ 100 mA"\n', "")
    made = gadget(CELL, blind)
    text = circuit_text(made, overview(made))
    assert "any hand is answered" in text
    assert "the file gives no rule for bursts" in text
    kind = SENSOR.replace(
        "receiver = {", 'receiver = { threshold_in_light = "2 mW/m2", gain_control = "AGC2",'
    )
    text = circuit_text(gadget(CELL, kind), overview(gadget(CELL, kind)))
    assert "takes this burst and gap" in text
    assert "in bright light" in text
    short = kind.replace("burst = 24", "burst = 8")
    text = circuit_text(gadget(CELL, short), overview(gadget(CELL, short)))
    assert "does not take this burst" in text


def test_ten_percent_more_of_the_emitter_resistor_cost_the_fourth_root_of_that():
    """1 - 1.1 ** (-1 / 4) = 2.35 % where the hand is smaller than the beam."""
    found = overview(load_gadget(LARDER))
    assert found.sensors[0].range_power == 0.25
    assert "10 % more of it costs about 2.4 % of the range" in circuit_text(
        load_gadget(LARDER), found)


def test_other_ends_are_said():
    """Spread, drift, a charger without thresholds and a light that never ends."""
    ranged = LIGHTS.replace('"3.0 V @ 20 mA"', '"3.0 V (2.8 V .. 3.2 V) @ 20 mA"')
    made = gadget(
        CELL, '[charger]\ncurrent = "0 mA"\nfloat = "4.2 V"\n[charger.input]\nvoltage = "5 V"\n',
        ranged, '[gauge]\nmethod = "counting"\ncapacity = "600 mAh"\npower_up = "0 %"\n'
        'flat = "5 %"\n',
    )  # fmt: skip
    text = circuit_text(made, overview(made))
    assert "in the LEDs" in text
    assert "time from cut-off     none: the load takes all that the charger gives" in text
    assert "108 % of the capacity figure" in text
    assert "up to 0 % of the figure a day" in text
    never = gadget(CELL, '[lights.idea]\nforward = ["2 V @ 1 mA", "2.1 V @ 5 mA"]\n'
                   'resistor = "1G"\n')  # fmt: skip
    assert "idea" in circuit_text(never, overview(never))


def test_pins_of_a_small_gadget():
    """The table of pins, and the findings with faults before the cost."""
    made = gadget(CELL, CHARGER, CONTROLLER, LIGHTS, PINNED)
    lines = pins_text(made, check_pins(made)).splitlines()
    assert lines[0] == "Bench: the controller's pins at every corner"
    assert lines[2].split() == [
        "pin", "controller", "source", "voltage", "reads", "protection", "diode",
    ]  # fmt: skip
    assert (
        "  sense    off          USB in                       0.50 .. 0.50 V              "
        "417 µA, powers the controller" in lines
    )
    floats = "running, status floating (complete): nothing holds the pin, it floats"
    assert f"  fault  status: {floats}" in lines


def test_pins_without_findings():
    """A sound gadget says so; one without pins says that instead."""
    text = PINNED[: PINNED.index("[charger.input]")] + (
        '[pins.power]\nsource = "button.power"\nto_supply = "10M"\n'
    )
    made = gadget(CELL, CONTROLLER, text)
    findings = pins_text(made, check_pins(made)).partition("\nFindings\n")[2]
    assert findings.partition("\n\n")[0] == "  none"
    assert "the file describes no input pins" in pins_text(gadget(), check_pins(gadget()))


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_commands_on_the_demos(path, capsys):
    """Both commands run on every demo, as text and as JSON."""
    assert main(["circuit", str(path)]) == 0
    assert ": the circuit\n" in capsys.readouterr().out
    seen = "[proximity." in path.read_text(encoding="utf-8")
    wave = ["--wave", "80 ms"] if seen else []
    assert main(["circuit", str(path), "--json", *wave]) == 0
    found = json.loads(capsys.readouterr().out)
    assert bool(found["sensors"]) == seen
    assert set(found) == {"gadget", "lights", "loads", "sensors", "charger", "fed", "supply",
                          "gauge", "notes", "guesses", "without_origin"}
    for sensor in found["sensors"]:
        assert sensor["wave_s"] == 0.08
    status = main(["pins", str(path), "--json"])
    pins = json.loads(capsys.readouterr().out)
    assert status == int(pins["faults"] > 0)
    assert set(pins) == {"gadget", "rows", "outputs", "findings", "faults", "guesses",
                         "without_origin"}
    assert main(["pins", str(path)]) == status
    assert "the controller's pins" in capsys.readouterr().out


def test_plot_is_written_whole_or_refused(tmp_path, capsys):
    """A plot by its ending; an unknown ending writes nothing."""
    target = tmp_path / "circuit.svg"
    assert main(["circuit", str(LARDER), "--plot", str(target)]) == 0
    first = target.read_bytes()
    assert b"terminal voltage" in first
    assert main(["circuit", str(LARDER), "--plot", str(target)]) == 0
    assert target.read_bytes() == first
    assert main(["circuit", str(LARDER), "--plot", str(tmp_path / "x.doc")]) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["circuit.svg"]
    assert "its name must end in one of" in capsys.readouterr().err


def test_plot_without_protection_or_lights(tmp_path):
    """A bare cell has a plot too, though an empty one."""
    from simfw.report.circuit_plot import circuit_figure

    bare = gadget(CELL.replace('cut_off = "3.05 V"', ""))
    assert len(circuit_figure(bare).axes) == 2


def test_a_wave_that_is_no_time_is_refused(capsys):
    """The length of the wave is a time with its unit."""
    with pytest.raises(SystemExit) as caught:
        main(["circuit", str(LARDER), "--wave", "80"])
    assert caught.value.code == 2
    assert "argument --wave: '80'" in capsys.readouterr().err


def _keys(value, found: set[str]) -> set[str]:
    """Every key of nested JSON values."""
    if isinstance(value, dict):
        for key, part in value.items():
            found.add(key)
            _keys(part, found)
    elif isinstance(value, list | tuple):
        for part in value:
            _keys(part, found)
    return found


def unnamed_keys(*told) -> set[str]:
    """The keys of JSON values that the page on the JSON of circuits does not name."""
    page = (LARDER.parents[2] / "docs" / "reference" / "circuit-json.md").read_text("utf-8")
    return _keys(told, set()) - set(re.findall(r"[a-z_0-9]+", page))


def test_every_key_of_the_json_is_documented():
    """No key is printed that the page on the JSON does not name."""
    made = gadget(CELL, CHARGER, CONTROLLER, LIGHTS, SENSOR, PINNED,
                  '[gauge]\nthresholds = ["3.5 V"]\n')  # fmt: skip
    assert unnamed_keys(circuit_json(made, overview(made)),
                        pins_json(made, check_pins(made))) == set()


def test_plot_of_a_file_without_lights_says_so(recwarn):
    """Empty panels are explained, and the layout has no complaint."""
    from simfw.report.circuit_plot import circuit_figure

    figure = circuit_figure(gadget(CELL))
    figure.draw_without_rendering()
    assert figure.get_suptitle().endswith("the file has no lights")
    assert not recwarn.list


def test_a_wave_is_not_asked_about_without_a_sensor(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It would change nothing that is printed; without the option the report stands as ever."""
    path = tmp_path / "gadget.toml"
    path.write_text('[gadget]\nname = "Stick"\n[cell]\ncurve = "lco"\ncapacity = "100 mAh"\n'
                    '[loads.lamp]\ncurrent = "10 mA"\n', encoding="utf-8")
    assert main(["circuit", str(path)]) == 0
    capsys.readouterr()
    assert main(["circuit", str(path), "--wave", "80 ms"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "has no [proximity.NAME]" in said.err
