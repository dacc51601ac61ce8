"""The charger's status pin, asked of every part that reads it: the same answer from all.

Each polarity, with and without a pull-up, for a dead, a half-full and a full cell, with USB power
there before the controller has its own or coming later. The expected states are worked out by hand
from what the pin says: low or high while charging, let go without supply and in a fault (state
table of Microchip DS20001984, section 5.2); a pull-up makes a pin that is let go read high.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget
from simfw.life.drawing import warmths
from simfw.life.layout import Layout
from simfw.life.parts import PartTables
from simfw.life.store import Store
from simfw.life.user import Life
from simfw.loading import load_pattern
from simfw.report.record import recording_text
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.mapfile import own_map
from simfw.stimuli.recording.signals import observe
from simfw.stimuli.scenario import ChargerFault, Scenario, Step, Temperature, Usb
from simfw.vectors.build import Rehearsal, replay_scenario
from simfw.verify.budget import Budget
from simfw.verify.check import check_gadget
from simfw.verify.falsify import falsify
from simfw.verify.player import Player
from tests.report.generated_c import STRICT, compile_harness, compiler, talk, write_harness

S = 10**9
LASTS = 300 * S
LOW, HIGH, THREE = (
    "low while charging", "high while charging", "low while charging, high when complete",
)  # fmt: skip
GADGET = """
[gadget]
name = "Status pin"
[cell]
curve = "nmc"
capacity = "20 mAh"
resistance = "1 Ω"
cut_off = "3.0 V"
restart = "3.1 V"
[charger]
current = "20 mA"
float = "4.20 V"
finish = "10 %"
status = "{status}"
windows = {{ cold = "0 degC", hot = "45 degC" }}
[controller]
{pull_up}
[behaviour.seen]
starts = "alone"
states.alone = {{}}
states.plugged = {{}}
states.charging = {{}}
states.done = {{}}
states.fault = {{}}
rows = [
  {{ on = "usb.in", from = "*", to = "plugged" }},
  {{ on = "usb.out", from = "*", to = "alone" }},
  {{ on = "charge.started", from = "*", to = "charging" }},
  {{ on = "charge.completed", from = "*", to = "done" }},
  {{ on = "charge.fault", from = "*", to = "fault" }},
]
"""
KINDS = [(status, pull_up) for status in (LOW, HIGH, THREE) for pull_up in (False, True)]
CASES = [(*kind, charge, at) for kind in KINDS for charge in (0.0, 0.5, 1.0) for at in (0, S)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the gadgets of this file are written."""
    return tmp_path_factory.mktemp("status")


def written(folder: Path, status: str, pull_up: bool) -> Path:
    """The file of the gadget of a kind."""
    path = folder / f"{KINDS.index((status, pull_up))}.toml"
    path.write_text(GADGET.format(status=status, pull_up='pull_up = "35k"' if pull_up else ""))
    return path


@cache
def prepared_of(path: Path) -> Prepared:
    """What all runs of a gadget share."""
    return Prepared(read_gadget(path))


@cache
def harness_of(path: Path, command: str) -> Path:
    """The compiled generated source of a gadget."""
    prepared = prepared_of(path)
    write_harness(path.with_suffix(""), prepared.gadget, prepared.system)
    return compile_harness(path.with_suffix(""), command, *STRICT)


def scenario(gadget: Gadget, charge: float, *steps: Step) -> Scenario:
    """Five minutes of a gadget."""
    return Scenario(charge=charge, lasts_ns=LASTS, steps=steps, gadget=gadget)


def told(run: Run) -> list[tuple[int, str]]:
    """The events of a run."""
    return [(event.time_ns, event.name) for event in run.events]


def at_end(run: Run) -> str:
    """The state of `seen` at the end."""
    return next(one.state for one, name in zip(run.final.regions, run.regions, strict=True)
                if name == "seen")


def wanted(status: str, charge: float) -> str:
    """What the firmware is to make of a charger that has just begun.

    A full cell takes nothing: a pin of two levels then says what it says without USB power.
    """
    if charge < 1.0:
        return "charging"
    return "done" if status == THREE else "plugged"


@pytest.mark.parametrize(("status", "pull_up", "charge", "at"), CASES)
def test_run_life_vectors_and_source_agree_on_the_status_pin(
    folder: Path, status: str, pull_up: bool, charge: float, at: int
) -> None:
    """The state by hand, in a run; and the other three do what the run does."""
    path = written(folder, status, pull_up)
    prepared = prepared_of(path)
    made = scenario(prepared.gadget, charge, Usb(at_ns=at, present=True))
    run = simulate(prepared.gadget, made, prepared=prepared)
    assert at_end(run) == wanted(status, charge)
    assert in_life(path, charge, at) == {
        use.state: use.time_ns for use in run.states if use.region == "seen" and use.time_ns
    }
    command = compiler("gcc", "clang")
    if charge == 0.0:
        # The power comes back while USB is in: what the firmware is told then, by hand.
        events = [(time, name) for time, name in told(run) if time == run.events[-1].time_ns]
        model = prepared.circuit.charger
        assert model is not None
        level = 1 if model.reads_low("fast", True) else 2
        now = events[0][0]
        lines = [f"off {now}", "set usb 1", f"set status {level}", f"power {now}"]
        expected = [f"event {time} {name}" for time, name in events]
        answered = [] if command is None else talk(harness_of(path, command), lines)
        answered = [line for line in answered if line.startswith("event")]
    else:
        played = replay_scenario(Rehearsal(prepared), made)
        assert played is not None
        assert played.events == told(run)
        lines = [line for exchange in played.exchanges for line in exchange.lines]
        expected = [report.line for report in played.reports]
        answered = [] if command is None else talk(harness_of(path, command), lines)
        answered = [line for line in answered if line != "ok"]
    if command is None:
        pytest.skip("no C compiler installed: run, life and vectors agree")
    assert answered == expected


def in_life(path: Path, charge: float, at: int) -> dict[str, int]:
    """How long `seen` was in each state in a study over a user who plugs the gadget in."""
    file = path.with_suffix(".pattern")
    file.write_text(f"""
title = "Plugged in"
gadget = "{path.name}"
charge = "{100 * charge:g} %"
horizon = "2 days"
[[habits]]
name = "charge"
each = "day"
between = ["00:00", "00:01"]
times = "1"
steps = [ {{ usb = true }}, {{ wait = "1 h" }}, {{ usb = false }} ]
""")
    pattern = load_pattern(file)
    assert pattern.gadget is not None
    store = Store(Layout(pattern, pattern.gadget, warmths(pattern)[0]), fast=False)
    user = Life(pattern, store, PartTables(store, pattern.gadget), 1, 0)
    stimuli, _ = user.stimuli(0, LASTS)
    user.go(stimuli._replace(time=[at, *stimuli.time[1:]]), LASTS)
    number = user.layout.region_id["seen"]
    first = user.layout.offset[number]
    return {state: spent for state, n in user.layout.state_id[number].items()
            if (spent := int(user.world.spent[first + n]))}


@pytest.mark.parametrize(("status", "pull_up"), KINDS)
def test_the_search_reaches_what_the_pin_can_tell(
    folder: Path, status: str, pull_up: bool
) -> None:
    """Charging and complete always; a fault only by three levels, which a pull-up takes away."""
    gadget = prepared_of(written(folder, status, pull_up)).gadget
    report = check_gadget(gadget, only=("unreachable-state", "row-never-fires"), runs=0)
    missing = {found.text for found in report.findings if found.check == "unreachable-state"}
    can_tell = status == THREE and not pull_up
    assert missing == (set() if can_tell else {"No way leads to seen.fault."})


FAULTS = {
    (LOW, False): "done", (LOW, True): "done", (HIGH, False): "done", (HIGH, True): "charging",
    (THREE, False): "fault", (THREE, True): "done",
}  # fmt: skip


@pytest.mark.parametrize("cause", ["cold", "hot", "own"])
@pytest.mark.parametrize(("status", "pull_up"), KINDS)
def test_a_charger_in_a_fault_lets_go_of_its_pin_and_goes_on_afterwards(
    folder: Path, status: str, pull_up: bool, cause: str
) -> None:
    """Outside its temperature windows, or by a fault of its own; run and vectors agree.

    Both status outputs of a TP4056 are off in a fault (tp4056.com/d/tp4056.html); what two levels
    cannot tell reads as finished, or by a pull-up as charging still.
    """
    prepared = prepared_of(written(folder, status, pull_up))
    gadget = prepared.gadget
    begins: Step = ChargerFault(at_ns=10 * S, present=True)
    ends: Step = ChargerFault(at_ns=40 * S, present=False)
    if cause != "own":
        outside = -5.0 if cause == "cold" else 50.0
        begins = Temperature(at_ns=10 * S, temperature_c=outside)
        ends = Temperature(at_ns=40 * S, temperature_c=25.0)
    usb = Usb(at_ns=S, present=True)
    broken = scenario(gadget, 0.5, usb, begins)
    run = simulate(gadget, broken, prepared=prepared)
    assert at_end(run) == FAULTS[status, pull_up]
    assert run.charger_charge_c == pytest.approx(9 * 20e-3, rel=1e-6)
    mended = scenario(gadget, 0.5, usb, begins, ends)
    again = simulate(gadget, mended, prepared=prepared)
    assert at_end(again) == "charging"
    assert again.charger_charge_c == pytest.approx(269 * 20e-3, rel=1e-6)
    for one, whole in ((broken, run), (mended, again)):
        played = replay_scenario(Rehearsal(prepared), one)
        assert played is not None
        assert played.events == told(whole)


def test_a_charger_that_is_plugged_in_too_cold_waits_until_it_is_warm(folder: Path) -> None:
    """A pin that has said nothing yet is no fault; the charge begins when the cell is warm."""
    prepared = prepared_of(written(folder, THREE, False))
    gadget = prepared.gadget
    made = scenario(gadget, 0.5, Temperature(at_ns=0, temperature_c=-5.0),
                    Usb(at_ns=S, present=True), Temperature(at_ns=9 * S, temperature_c=25.0))
    run = simulate(gadget, made, prepared=prepared)
    assert told(run) == [(S, "usb.in"), (9 * S, "charge.started")]
    played = replay_scenario(Rehearsal(prepared), made)
    assert played is not None
    assert played.events == told(run)


DONE = """
[lights.done]
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "1k"
[buttons.key]
[behaviour.lamp]
starts = "{starts}"
states.dark = {{}}
states.lit = {{ done = "on" }}
rows = [
  {{ on = "charge.completed", from = "dark", to = "lit" }},
  {{ on = "usb.out", from = "lit", to = "dark" }},
]
"""


@pytest.mark.parametrize("pull_up", [False, True])
def test_a_light_that_tells_of_a_full_cell_is_no_flash_at_power_up(
    tmp_path: Path, pull_up: bool
) -> None:
    """It is on in the first instant only where USB power is in; a lamp that starts lit is told."""
    whole = GADGET.format(status=THREE, pull_up='pull_up = "35k"' if pull_up else "")
    found = {}
    for starts in ("dark", "lit"):
        path = tmp_path / f"{starts}.toml"
        path.write_text(whole.partition("[behaviour.seen]")[0]
                        + DONE.format(starts=starts))
        report = check_gadget(read_gadget(path), only=("light-at-power-up",), runs=0)
        found[starts] = [one.check for one in report.findings]
    assert found == {"dark": [], "lit": ["light-at-power-up"]}


RULES = """
[[rules]]
name = "no fault"
never = "seen.fault"
"""


@pytest.mark.parametrize("runs", [0, 200])
def test_a_rule_that_only_a_fault_breaks_comes_with_a_scenario_that_breaks_it(
    tmp_path: Path, runs: int
) -> None:
    """The witness of the search, and of random runs alone, brings the fault by a step."""
    path = tmp_path / "gadget.toml"
    path.write_text(GADGET.format(status=THREE, pull_up="") + RULES)
    gadget = read_gadget(path)
    if runs:
        player = Player(gadget)
        (found,) = falsify(player, ["no fault"], [], Budget(10**7), runs=runs)
        steps = found.scenario.steps
    else:
        report = check_gadget(gadget, only=("rule",), runs=0)
        (broken,) = [one for one in report.findings if one.check == "rule"]
        assert broken.witness is not None
        steps = broken.witness.scenario.steps
    assert ChargerFault in {type(step) for step in steps}


@pytest.mark.parametrize("kind", [".csv", ".vcd"])
def test_a_recorded_fault_reads_back_to_the_same_run(folder: Path, kind: str) -> None:
    """The recording has a column for it, and needs no map."""
    prepared = prepared_of(written(folder, THREE, False))
    gadget = prepared.gadget
    made = scenario(gadget, 0.5, Usb(at_ns=S, present=True),
                    ChargerFault(at_ns=10 * S, present=True),
                    ChargerFault(at_ns=40 * S, present=False))
    run = simulate(gadget, made, prepared=prepared)
    file = folder / f"fault{kind}"
    file.write_text(recording_text(run, kind))
    recording = open_recording(file)
    observed = observe(recording, own_map(recording, gadget), gadget)
    again = simulate(gadget, scenario(gadget, 0.5, *observed.steps), prepared=prepared)
    assert told(again) == told(run)
    assert "charge.fault" in {name for _, name in told(run)}
