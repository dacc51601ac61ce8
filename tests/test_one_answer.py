"""One question has one answer, whichever command is asked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.endurance import light_run_time
from simfw.cli import main
from simfw.engine.modes import survey
from simfw.engine.simulator import simulate
from simfw.gadget.model import Gadget
from simfw.life.held import held
from simfw.loading import load_gadget
from simfw.report.modes import modes_json
from simfw.report.specification.power import budget_of
from simfw.stimuli.scenario import Press, Scenario, Usb, write_scenario

ROOT = Path(__file__).parents[1]
GADGETS = sorted(
    path for place in ("scenarios", "tests/gallery") for path in (ROOT / place).rglob("gadget.toml")
)
PATTERN = """
title = "Nobody"
gadget = "{gadget}"
charge = "100 %"
horizon = "1 day"
"""
# A lamp whose mode is left by itself, a blink, and a light that fades to a tenth before the end.
LAMP = """
[gadget]
name = "Three ways to end"
[cell]
curve = "{curve}"
capacity = "200 mAh"
resistance = "300 mΩ"
cut_off = "2.5 V"
leakage = "2 uA"
[charger]
current = "50 mA"
float = "4.1 V"
finish = "10 %"
[controller]
awake = "1 mA"
asleep = "5 uA"
reference = "1.1 V"
[lights.lamp]
leds = 1
forward = ["3.3 V @ 5 mA", "3.6 V @ 20 mA"]
resistor = "10R"
[lights.eye]
leds = 1
forward = ["1.8 V @ 2 mA", "1.95 V @ 10 mA"]
resistor = "470R"
[buttons.key]
[gauge]
flat = "3.3 V"
every = "1 s"
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.lit = {{ lamp = "on" }}
states.blink_on = {{ eye = "on" }}
states.blink_off = {{}}
rows = [
  {{ on = "key.click", from = "dark", to = "lit" }},
  {{ on = "key.click", from = "lit", to = "blink_on" }},
  {{ on = "key.click", from = ["blink_on", "blink_off"], to = "dark" }},
  {{ on = "cell.flat", from = ["blink_on", "blink_off"], to = "dark" }},
  {{ after = "500 ms", from = "blink_on", to = "blink_off" }},
  {{ after = "1500 ms", from = "blink_off", to = "blink_on" }},
]
"""


def asked(capsys: pytest.CaptureFixture[str], *words: object) -> Any:
    """What a command prints as JSON."""
    status = main([str(word) for word in words])
    out, err = capsys.readouterr()
    assert status in (0, 1), err
    return json.loads(out)


def lived(
    capsys: pytest.CaptureFixture[str], gadget: Gadget, path: Path, folder: Path
) -> dict[str, Any]:
    """The JSON of `life` for somebody who does nothing; of what it asks, where it refuses."""
    if max((len(part.states) for part in gadget.behaviour.values()), default=0) > 60:
        found = held(gadget)
        shelf_s = found.shelf_life_s
        return {"run_time_s": found.run_time_s, "ends_by": found.ends_by,
                "fl1_run_time_s": found.fl1_run_time_s, "charge_time_s": found.charge_time_s,
                "shelf_life_days": None if shelf_s is None else shelf_s / 86_400}  # fmt: skip
    (folder / "nobody.toml").write_text(PATTERN.format(gadget=path), encoding="utf-8")
    value: dict[str, Any] = asked(capsys, "life", folder / "nobody.toml", "--users", 1, "--json")
    return value


def idle(gadget: Gadget, path: Path, folder: Path, *steps: Any, lasts_ns: int = 10**9,
         charge: float = 1.0) -> Path:  # fmt: skip
    """A scenario file in which nothing more than `steps` happens."""
    made = Scenario(title="idle", gadget_path=path, gadget=gadget, charge=charge, steps=steps,
                    lasts_ns=lasts_ns)  # fmt: skip
    file = folder / "idle.toml"
    write_scenario(made, file)
    return file


def compare(capsys: pytest.CaptureFixture[str], path: Path, folder: Path) -> dict[str, Any]:
    """Ask all commands about one gadget; return what `modes` says."""
    gadget = load_gadget(path)
    listed = asked(capsys, "modes", path, "--json")
    modes = {tuple(mode["states"].values()): mode for mode in listed["modes"]
             if mode["outside"] == listed["modes"][0]["outside"]}  # toggles where they start
    circuit = asked(capsys, "circuit", path, "--json")
    life = lived(capsys, gadget, path, folder)
    run = asked(capsys, "run", idle(gadget, path, folder), "--json")

    # The run time of a mode, what ends it, and its mean current: the list, `life`, the document.
    budget = budget_of(gadget)
    at_half = asked(capsys, "modes", path, "--charge", "50 %", "--json")["modes"]
    assert [(m.run_time_s, m.ends_by, m.current_a) for m in budget.modes] == [
        (m["run_time_s"], m["ends_by"], m["average_current_a"]) for m in at_half
    ]
    regions = list(listed["modes"][0]["states"])
    starts = {name: part.starts for name, part in gadget.behaviour.items()}
    for name, seconds in life["run_time_s"].items():
        region, _, state = name.partition(".")
        there = {**starts, region: state}
        near = [mode for mode in modes.values()
                if state in mode["states"].get(region, "").split("/")]
        near.sort(key=lambda m: -sum(there[r] in m["states"][r].split("/") for r in regions))
        # What a state lights only with a toggle turned is held with it turned.
        lit = {output for output, level in gadget.behaviour[region].states[state].items()
               if level.drives}
        if near and not lit & {part["name"] for part in near[0]["parts"]}:
            near = [mode for mode in listed["modes"] if mode["states"] == near[0]["states"]
                    and lit & {part["name"] for part in mode["parts"]}] or near
        if near:
            assert (seconds, life["ends_by"][name]) == (near[0]["run_time_s"], near[0]["ends_by"])

    # The FL 1 run time of a light: the circuit's is that of one of the modes.
    for light in circuit["lights"]:
        if light["mode"] is None:
            assert gadget.lights[light["name"]].segments or not any(
                one["name"] == light["name"] for mode in modes.values() for one in mode["lights"])
            continue
        mode = modes[tuple(light["mode"].values())]
        if light["dials"] != mode["dials"]:
            mode = _starting(path, light)
        (shown,) = [one for one in mode["lights"] if one["name"] == light["name"]]
        assert light["run_time"] == {key: shown[key] for key in light["run_time"]}
    for name, seconds in life["fl1_run_time_s"].items():
        lights = [one["run_time_s"] for mode in modes.values() for one in mode["lights"]]
        assert seconds is None or seconds in lights, name

    # The time from full if nobody touches it: what is left after the first second, and the shelf.
    shelf_days = life["shelf_life_days"]
    left_s = run["life"]["left_s"]
    assert (shelf_days is None) == (left_s is None)
    if shelf_days is not None:
        # At the mean drain, a little is counted event by event, here a second more of it.
        near = 1e-6 if run["life"]["left_about"] else 1e-9
        assert left_s + 1.0 == pytest.approx(shelf_days * 86_400.0, rel=near)
        rest = listed["modes"][0]
        if rest["ends_by"] == "the protection opens":
            assert rest["run_time_s"] <= shelf_days * 86_400.0 * (1 + near)

    # The time from empty to full: the circuit's, the life's, and that of a run.
    if circuit["charger"] is not None:
        charging = circuit["charger"]["charge_time"]
        assert charging["time_s"] == life["charge_time_s"]
        if charging["time_s"] is not None and shelf_days is not None:
            _charge_of_a_run(gadget, charging, shelf_days)
    return modes


def _starting(path: Path, light: dict[str, Any]) -> dict[str, Any]:
    """The mode of a light as `modes` lists it for a gadget whose dials start where it shines."""
    gadget = load_gadget(path)
    dials = {name: dial.model_copy(update={"starts": light["dials"].get(name, dial.starts)})
             for name, dial in gadget.dials.items()}
    turned = gadget.model_copy(update={"dials": dials})
    found = modes_json(turned, survey(turned))["modes"]
    (mode,) = [one for one in found if one["states"] == light["mode"]]
    return mode


def _charge_of_a_run(gadget: Gadget, charging: dict[str, Any], shelf_days: float) -> None:
    """Left alone until it is empty, then plugged in: the charger ends when the others say."""
    lasts_ns = round(shelf_days * 86_400e9) + 1000
    opened = simulate(gadget, Scenario(charge=1.0, lasts_ns=lasts_ns), trace=False)
    plug = Scenario(charge=opened.end_charge, steps=(Usb(at_ns=0, present=True),),
                    lasts_ns=round(charging["time_s"] * 1e9) + 10**9)  # fmt: skip
    modes = [(part.start_ns * 1e-9, part.loads.charger)
             for part in simulate(gadget, plug).intervals]
    ended = [time_s for time_s, mode in modes if mode == "complete"]
    assert ended[0] == pytest.approx(charging["time_s"], rel=1e-6)


@pytest.mark.parametrize("path", GADGETS, ids=lambda path: path.parent.name)
def test_each_command_gives_the_same_answer(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, path: Path
) -> None:
    """Run times, mean currents, FL 1, shelf and charge time of a gadget: one figure each."""
    compare(capsys, path, tmp_path)


def test_a_run_of_a_mode_ends_when_the_modes_say(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A lamp that is clicked on goes out when `modes`, `circuit` and `life` say it does."""
    path = tmp_path / "gadget.toml"
    path.write_text(LAMP.format(curve="lco"), encoding="utf-8")
    modes = compare(capsys, path, tmp_path)
    gadget = load_gadget(path)
    lit = modes[("lit",)]
    click = (Press(at_ns=0, button="key", for_ns=10**8),)
    lasts_ns = round(lit["run_time_s"] * 1e9) + 10 * 10**9
    told = asked(capsys, "run", idle(gadget, path, tmp_path, *click, lasts_ns=lasts_ns), "--json")
    assert told["cell_empty_at_s"] == pytest.approx(lit["run_time_s"], rel=1e-5)
    (lamp,) = lit["lights"]
    assert lamp["ended_by"] == "10 %"
    # An integral over charge for the same loads, without any simulation, finds the same time.
    alone = light_run_time(Circuit(gadget), "lamp", LoadSet(drives=(("lamp", 1.0, -1),)))
    assert lamp["run_time_s"] == pytest.approx(alone.run_time_s, rel=1e-5)
    # A blink that is on for a quarter of the time lasts some four times as long as a steady light,
    # where nothing else draws.
    blink = modes[("blink_on/blink_off",)]
    assert blink["ends_by"] == "cell.flat"
    steady_s = 720.0 / (blink["parts"][0]["average_current_a"] * 4)
    assert 3.5 * steady_s < blink["run_time_s"] < 6.0 * steady_s


def test_no_answer_hangs_on_the_points_of_the_curve(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Two, eleven and 401 points of one straight line: the same run and charge times."""
    path = tmp_path / "gadget.toml"
    path.write_text(LAMP.format(curve="line.csv"), encoding="utf-8")
    found = []
    for points in (2, 11, 401):
        rows = "\n".join(f"{n / (points - 1)!r},{3.0 + 1.15 * n / (points - 1)!r}"
                         for n in range(points))
        (tmp_path / "line.csv").write_text(f"charge,voltage_v\n{rows}\n", encoding="utf-8")
        modes = compare(capsys, path, tmp_path)
        circuit = asked(capsys, "circuit", path, "--json")
        found.append([
            *(mode["run_time_s"] for mode in modes.values()),
            *(light["run_time_s"] for mode in modes.values() for light in mode["lights"]),
            circuit["charger"]["charge_time"]["time_s"],
        ])
    assert None not in found[-1]
    assert found[0] == pytest.approx(found[-1], rel=1e-5)
    assert found[1] == pytest.approx(found[-1], rel=1e-5)
