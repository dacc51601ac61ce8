"""A power path: with USB in, the input feeds the gadget past its cell."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.pins import check_pins
from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.errors import DescriptionError
from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget
from simfw.life import registers as k
from simfw.stimuli.scenario import ChargerFault, Scenario
from simfw.stimuli.steps import Press, Toggle, Usb
from simfw.verify.check import check_gadget
from tests.life.beside_run import ends, run_beside, stands
from tests.life.made import pattern
from tests.life.test_loop import ready

S = 10**9
H = 3600 * S
LAMP = """
[gadget]
name = "Desk lamp"
[cell]
curve = "lco"
capacity = "30 mAh"
resistance = "400 mΩ"
cut_off = "3.3 V"
restart = "3.5 V"
leakage = "3 uA"
self_discharge = "2 %/month"
[charger]
current = "20 mA"
float = "4.2 V"
finish = "10 %"
recharge = "4.0 V"
status = "low while charging"
power_path = true
[charger.input]
voltage = "5 V"
limit = "40 mA"
[controller]
awake = "1 mA"
asleep = "5 uA"
pull_up = "35k"
[loads.lamp]
current = "12 mA"
[loads.fan]
current = "25 mA"
[loads.motor]
current = "45 mA"
[buttons.key]
[toggles.main]
in_supply = true
[gauge]
thresholds = ["3.7 V", "3.9 V"]
every = "10 s"
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
states.dark = {}
states.blown = { fan = "on", lamp = "on" }
states.driven = { motor = "on" }
rows = [
  { on = "key.press", from = "lit", to = "dark" },
  { on = "key.press", from = "dark", to = "blown" },
  { on = "key.press", from = "blown", to = "driven" },
  { on = "key.press", from = "driven", to = "lit" },
]
"""


def gadget(text: str = LAMP) -> Gadget:
    """A gadget of its text."""
    return Gadget.model_validate(tomllib.loads(text))


def run(*steps: Any, charge: float = 0.5, lasts_s: float = 3600, text: str = LAMP,
        fold: bool = True) -> Run:
    """USB in or out at (s, True or False), a press at (s, "key"), the switch at (s, "main", on)."""
    made = [
        Usb(at_ns=round(step[0] * S), present=step[1]) if isinstance(step[1], bool)
        else Press(at_ns=round(step[0] * S), button="key", for_ns=S // 10) if len(step) == 2
        else Toggle(at_ns=round(step[0] * S), toggle="main", closed=step[2]) for step in steps]
    return simulate(gadget(text), Scenario(charge=charge, lasts_ns=round(lasts_s * S),
                                           steps=tuple(made)), fold=fold)


def drawn(result: Run) -> float:
    """What all consumers drew (C)."""
    return sum(use.charge_c for use in result.consumers)


def balanced(result: Run) -> bool:
    """Whether consumers less what USB gave is what the cell lost."""
    lost = result.capacity_c * (result.start_charge - result.end_charge)
    return abs(drawn(result) - result.charger_charge_c - lost) <= 1e-9 * result.capacity_c


def events(result: Run, name: str) -> list[float]:
    """When an event happened (s)."""
    return [one.time_ns / S for one in result.events if one.name == name]


def test_a_load_within_the_limit_leaves_the_charge_as_it_is() -> None:
    """12 mA of lamp beside 20 mA of charger in a limit of 40 mA: the cell has what it has in the
    dark, and ends its charge at the same time; without the path a lamp above 2 mA keeps it going.
    """
    lit = run((0, True), charge=0.3, lasts_s=4 * 3600)
    dark = run((0, True), (0.1, "key"), charge=0.3, lasts_s=4 * 3600)
    assert events(lit, "charge.completed") == pytest.approx(events(dark, "charge.completed"),
                                                            abs=1e-3)
    assert lit.end_charge == pytest.approx(dark.end_charge, abs=1e-9)
    extra = lit.charger_charge_c - dark.charger_charge_c
    assert extra == pytest.approx(12e-3 * 4 * 3600, rel=1e-4)  # it all comes from USB
    assert balanced(lit)
    assert balanced(dark)
    plain = run((0, True), charge=0.3, lasts_s=4 * 3600,
                text=LAMP.replace("power_path = true\n", ""))
    assert not events(plain, "charge.completed")


def test_the_charger_has_what_the_load_leaves() -> None:
    """37 mA of 40 mA: 3 mA for the cell, less its leakage and self-discharge."""
    made = Circuit(gadget())
    loads = LoadSet(drives=(("fan", 1.0, -1), ("lamp", 1.0, -1)), controller="asleep",
                    charger="fast")
    found = made.solve(loads, [0.2, 0.6])
    into = found.charger_a - found.consumers_a.sum(axis=0)
    lost = found.consumers_a[list(made.consumers).index("self_discharge")]
    np.testing.assert_allclose(into, 40e-3 - 37e-3 - 5e-6 - 3e-6 - lost, rtol=1e-9)
    np.testing.assert_allclose(found.supply_v, 5.0)


def test_beyond_the_limit_the_cell_gives_the_rest_and_does_not_end_its_charge() -> None:
    """45 mA of motor: 40 from USB, 5 and the controller's from the cell, at its own voltage. The
    charge ends only once the motor stands, though the cell takes less than the finish current.
    """
    result = run((0, True), (100, "key"), (200, "key"), (300, "key"), charge=0.999, lasts_s=420)
    assert not events(result, "charge.completed") or events(result, "charge.completed")[0] < 300
    driven = run((0, True), (1, "key"), (2, "key"), (3, "key"), (1000, "key"), charge=0.995,
                 lasts_s=4000)
    assert all(at < 3 or at > 1000 for at in events(driven, "charge.completed"))
    assert events(driven, "charge.completed")
    assert balanced(driven)
    made = Circuit(gadget())
    found = made.solve(LoadSet(drives=(("motor", 1.0, -1),), charger="fast"), [0.4])
    cell_a = float((found.consumers_a.sum(axis=0) - found.charger_a)[0])
    assert cell_a == pytest.approx(5e-3 + 5e-6 + 3e-6, rel=1e-3)
    assert found.supply_v[0] == found.voltage_v[0]
    assert found.short.all()


def test_usb_brings_a_gadget_with_an_open_protection_to_life() -> None:
    """A power-up with USB, long before the cell has been lifted to its restart; gone with USB."""
    result = run((60, True), (61, "key"), (90, False), charge=0.0, lasts_s=120)
    assert events(result, "usb.in") == [60.0]
    assert events(result, "key.press") == [61.02]
    assert not events(result, "usb.out")
    lit = [(one.start_ns // S, one.end_ns // S) for one in result.intervals if max(one.levels) > 0]
    assert (lit[0][0], lit[-1][1]) == (60, 61)
    assert result.end_charge < 0.05
    assert balanced(result)
    # Once it has been lifted the cell goes on where USB stops.
    longer = run((60, True), (4000, False), charge=0.0, lasts_s=4100)
    assert events(longer, "usb.out") == [4000.0]
    assert longer.end_charge > 0.3


def test_a_toggle_in_the_supply_cuts_the_path_off_too() -> None:
    """It sits behind the input; the charger goes on."""
    result = run((10, True), (20, "main", False), (30, "main", True), charge=0.5, lasts_s=40)
    dead = [one for one in result.intervals if 20 * S <= one.start_ns < 30 * S]
    assert all(max(one.levels) == 0 and one.charger_a > 0.0 for one in dead)
    assert events(result, "usb.in") == [10.0, 30.0]


def test_an_empty_cell_beside_a_fault_of_the_charger_keeps_the_books() -> None:
    """Nothing charges, nothing is left in the cell: the lamp burns from USB, and is counted."""
    text = LAMP.replace('cut_off = "3.3 V"\nrestart = "3.5 V"\n', "")
    made = gadget(text)
    result = simulate(made, Scenario(charge=0.0, lasts_ns=100 * S, steps=(
        ChargerFault(at_ns=0, present=True), Usb(at_ns=10 * S, present=True),
        Usb(at_ns=60 * S, present=False))))
    lamp = next(use.charge_c for use in result.consumers if use.name == "lamp")
    assert lamp == pytest.approx(50 * 12e-3, rel=1e-9)
    assert result.charger_charge_c == pytest.approx(50 * (12e-3 + 5e-6), rel=1e-3)
    assert balanced(result)


def test_the_gauge_reads_the_cell() -> None:
    """The loads have 5 V; the bars are those of a cell at 30 %, charged or not."""
    result = run((0, True), charge=0.3, lasts_s=60)
    assert max(one.voltage_v for one in result.intervals) < 4.0
    assert result.intervals[-1].bars == 1


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2000), st.integers(0, 900), st.integers(5, 120), st.integers(5, 60),
       st.lists(st.tuples(st.integers(1, 3000), st.sampled_from(["key", "in", "out"])), max_size=4),
       st.integers(1, 99))
def test_cell_and_usb_balance_whatever_is_done(
    source: int, own: int, limit: int, current: int, done: list[tuple[int, str]], percent: int
) -> None:
    """Consumers less what USB gave is what the cell lost, empty or full; folded alike."""
    text = LAMP.replace('limit = "40 mA"', f'limit = "{limit} mA"\nresistance = "{source} mΩ"')
    text = text.replace('current = "20 mA"',
                        f'current = "{current} mA"\npass_resistance = "{own} mΩ"')
    steps, at = [], 0.0
    for gap, what in done:
        at += gap * 1.0
        steps.append((at, what == "in") if what != "key" else (at, "key"))
    lasts = at + 1000
    results = [run(*steps, charge=percent / 100, lasts_s=lasts, text=text, fold=fold)
               for fold in (True, False)]
    assert all(map(balanced, results))
    assert results[0].end_charge == pytest.approx(results[1].end_charge, abs=1e-6)
    assert [one.name for one in results[0].events] == [one.name for one in results[1].events]


PATTERN = """
gadget = "gadget.toml"
charge = "60 %"
horizon = "4 days"
[[habits]]
name = "a day"
at = "08:00"
steps = [
  { wait = "30 min" }, { press = "key", for = "100 ms" }, { wait = "20 min" },
  { press = "key", for = "100 ms" }, { wait = "2 h" }, { usb = true }, { wait = "20 min" },
  { press = "key", for = "100 ms" }, { wait = "10 min" }, { press = "key", for = "100 ms" },
  { wait = "5 h" }, { press = "key", for = "100 ms" }, { wait = "1 h" }, { usb = false },
]
"""


@pytest.mark.parametrize("restart", [True, False])
def test_a_study_lives_as_a_run_does(tmp_path: Path, restart: bool) -> None:
    """From full to dead, on USB with the protection open, charged and dead again."""
    text = LAMP if restart else LAMP.replace('cut_off = "3.3 V"\nrestart = "3.5 V"\n', "")
    user = ready(pattern(tmp_path, text, PATTERN))
    stimuli, _ = user.stimuli(0, 10 * 24 * H)
    for hours in (9, 12, 19, 48, 90):
        result = run_beside(user, stimuli, hours * H)
        lived, played = stands(user), ends(result)
        for name in ("lamp", "charge", "gauge"):
            assert lived[name] == played[name]
        assert user.world.f[k.CHARGE] == pytest.approx(result.end_charge, abs=1e-3)


def test_the_search_knows_a_gadget_that_lives_on_usb_alone() -> None:
    """Lit below the cut-off: on the path USB brings that about, without it nothing does."""
    rule = """
[[rules]]
name = "no lamp on a cell below its cut-off"
never = "lamp > 0 and cell.voltage < 3.2"
"""
    small = LAMP.partition("[gauge]")[0].replace("[toggles.main]\nin_supply = true\n", "") + """
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
states.dark = {}
rows = [{ on = "key.press", from = "lit", to = "dark" }]
""" + rule
    broken = check_gadget(gadget(small))
    whole = check_gadget(gadget(small.replace("power_path = true\n", "")))
    assert [one.standing for one in broken.verdicts] == ["broken"]
    assert [one.standing for one in whole.verdicts] == ["proved"]


def test_pins_have_the_input_for_a_supply() -> None:
    """With USB in the controller stands at 5 V: a divider from the cell is read against that, and
    a status pin pulled up to USB injects nothing.
    """
    text = LAMP + """
[controller.limits]
input_low = "30 %"
input_high = "70 %"
above = "300 mV"
[pins.status]
source = "charger.status"
pull_up = true
[pins.cell]
source = "cell"
analog = true
"""
    text = text.replace('"low while charging"', '"high while charging"')
    said = [one.text for one in check_pins(gadget(text)).findings]
    assert not [one for one in said if "running, status high" in one]
    without = text.replace("power_path = true\n", "")
    plain = [one.text for one in check_pins(gadget(without)).findings]
    assert [one for one in plain if "running, status high" in one]
    rows = check_pins(gadget(text)).rows
    # A full cell beside the lowest input: 4.2 V by 10 kohm on a pin that clamps 0.3 V above 3.6 V.
    low = text.replace('voltage = "5 V"', 'voltage = "4.4 V ± 0.8 V"').replace(
        'source = "cell"\n', 'source = "cell"\nseries = "10 kΩ"\n')
    worst = next(row for row in check_pins(gadget(low)).rows
                 if row.pin == "cell" and row.power == "running" and row.usb)
    assert worst.injected_a == pytest.approx((4.2 - 3.9) / 10e3)
    assert {row.source for row in rows if row.pin == "cell"} == {"cell", "cell, USB in"}


@pytest.mark.parametrize(("old", "new", "said"), [
    ('[charger.input]\nvoltage = "5 V"\nlimit = "40 mA"\n', "",
     "charger.power_path = true: the supply that feeds the loads is not given"),
    ('restart = "3.5 V"\n', "", "charger.power_path = true: what closes the protection again"),
    ('awake = "1 mA"', 'awake = "1 mA"\nwake = "1 uC"', "the charge of a wake-up is taken"),
])
def test_what_a_path_cannot_stand_beside_is_refused(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    """Each by name, with what is allowed."""
    (tmp_path / "gadget.toml").write_text(LAMP.replace(old, new), encoding="utf-8")
    with pytest.raises(DescriptionError) as found:
        read_gadget(tmp_path / "gadget.toml")
    assert said in str(found.value)


def test_a_charger_that_could_lift_its_terminal_above_the_input_holds_its_float() -> None:
    """8 ohm at 277 mA would stand at 6 V behind an input of 5 V: the terminal is the float."""
    text = LAMP.replace('resistance = "400 mΩ"', 'resistance = "8R"').replace(
        'current = "20 mA"', 'current = "277 mA"').replace('limit = "40 mA"\n', "")
    found = Circuit(gadget(text)).solve(LoadSet(charger="fast"), np.linspace(0.1, 0.95, 200))
    np.testing.assert_allclose(found.voltage_v, 4.2, rtol=1e-12)
