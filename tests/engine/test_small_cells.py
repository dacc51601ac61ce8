"""Small cells and bent curves: when a level is crossed, and what a fold across a bend is off by."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from simfw import Run, load_scenario, simulate
from simfw.circuit.circuit import Circuit

FLAT = "0,3.0\n0.28,3.11\n0.79,3.34\n1,4.07\n"
BENT = "0,3.0\n0.2,3.23\n0.57,3.38\n1,4.2\n"


def simulated(
    folder: Path, gadget: str, *, curve: str, charge: str, lasts: str, steps: str = "",
    fold: bool = True,
) -> Run:
    """A run of a small gadget."""
    (folder / "curve.csv").write_text("charge,voltage_v\n" + curve)
    (folder / "gadget.toml").write_text('[gadget]\nname = "Small"\n' + gadget)
    (folder / "scenario.toml").write_text(
        f'title = "t"\ngadget = "gadget.toml"\ncharge = "{charge}"\nlasts = "{lasts}"\n'
        f"steps = [{steps}]\n"
    )
    scenario = load_scenario(folder / "scenario.toml")
    assert scenario.gadget is not None
    return simulate(scenario.gadget, scenario, fold=fold)


LAMP = """
[cell]
curve = "curve.csv"
capacity = "40 uAh"
resistance = "6R"
cut_off = "3.15 V"
[lights.lamp]
leds = 3
forward = ["1.907 V @ 1 mA", "2.243 V @ 19 mA"]
resistor = "150R"
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
"""


def test_the_protection_opens_where_the_terminal_meets_the_cut_off(tmp_path: Path) -> None:
    """On a flat curve 1 uV is a few millionths of the charge: the crossing itself is solved."""
    run = simulated(tmp_path, LAMP, curve=FLAT, charge="70 %", lasts="10 s")
    assert run.empty_at_ns is not None
    lit = run.intervals[0]
    assert lit.end_ns == run.empty_at_ns
    volts = Circuit(run.gadget).solve(lit.loads, lit.end_charge).voltage_v
    assert float(volts[0]) == pytest.approx(3.15, abs=1e-8)


def test_a_rule_breaks_where_the_terminal_meets_its_level(tmp_path: Path) -> None:
    """A level that only a rule reads is solved as exactly as the cut-off, and so is its time."""
    rule = '[[rules]]\nname = "high"\nnever = "cell.voltage < 3.25"\n'
    run = simulated(tmp_path, LAMP + rule, curve=FLAT, charge="95 %", lasts="10 s")
    broken_ns = run.rules[0].time_ns
    assert broken_ns is not None
    until = simulated(tmp_path, LAMP, curve=FLAT, charge="95 %", lasts=f"{broken_ns} ns")
    volts = Circuit(run.gadget).solve(until.intervals[0].loads, until.end_charge).voltage_v
    assert float(volts[0]) == pytest.approx(3.25, abs=1e-9)


PRECHARGE = """
[cell]
curve = "curve.csv"
capacity = "600 mAh"
resistance_at_charge = ["2469 mOhm @ 13 %", "115 mOhm @ 42 %"]
[charger]
current = "213 mA"
float = "3.99 V"
finish = "7 %"
precharge = { below = "3.343 V", rate = "30 %" }
status = "low while charging"
"""


def test_a_step_is_read_at_the_charge_that_there_is(tmp_path: Path) -> None:
    """At 13 % the resistance lifts the terminal above `below`, at 52 % it does not.

    OCV(0.52) = 3.3101 V and 64 mA at 115 mohm add 7 mV, so the precharge goes on (Ohm's law).
    """
    run = simulated(
        tmp_path, PRECHARGE.replace("mOhm", "mΩ"), charge="52 %", lasts="10 s",
        curve="0,2.96\n0.2186,3.2542\n0.6602,3.3362\n1,4.06\n", steps='{ at = "1 s", usb = true }',
    )
    assert run.charger_charge_c == pytest.approx(9 * 0.3 * 0.213, rel=1e-9)


FLASH = """
[cell]
curve = "curve.csv"
capacity = "29 uAh"
resistance = "421 mΩ"
[loads]
motor = { current = "7 mA" }
lamp = { resistance = "1k" }
[behaviour.motor]
starts = "on"
states.on = { motor = "on" }
[behaviour.flash]
starts = "off"
states.off = {}
states.on = { lamp = "on" }
rows = [
  { after = "68.6 ms", from = "off", to = "on" },
  { after = "1.4 ms", from = "on", to = "off" },
]
"""


def test_a_fold_beside_a_bend_of_the_curve_reads_the_slope_of_its_own_side(tmp_path: Path) -> None:
    """What a lamp draws that flashes while a motor empties the cell hangs on the curve's slope."""
    folded, plain = (
        simulated(tmp_path, FLASH, curve=BENT, charge="30 %", lasts="1.2 s", fold=fold)
        for fold in (True, False)
    )
    assert any(interval.cycles for interval in folded.intervals)
    used = sum(use.charge_c for use in plain.consumers)
    for one, other in zip(folded.consumers, plain.consumers, strict=True):
        assert abs(one.charge_c - other.charge_c) < 1e-6 * used, one.name


FULL = """
[cell]
curve = "curve.csv"
capacity = "400 uAh"
resistance = "10R"
[charger]
current = "20 mA"
float = "4.3 V"
status = "low while charging"
[loads.lamp]
current = "3 mA"
[buttons.a]
debounce = "0 s"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "a.press", from = "dark", to = "lit" },
  { on = "a.release", from = "lit", to = "dark" },
]
"""
FULL_NS = round(1.44 * 10.0 / 1.2 * math.log(0.1012 / 0.1) * 1e9)
LIT = '{ at = "0 s", usb = true }, { at = "0 s", press = "a", for = "2 s" }'


def events(run: Run) -> list[tuple[int, str]]:
    """What happened to the charge."""
    return [(e.time_ns, e.name) for e in run.events if e.name.startswith("charge.")]


def test_a_charger_without_finish_is_complete_at_a_full_cell(tmp_path: Path) -> None:
    """At 4.3 V 10 ohm let (4.3 V - OCV) / 10 ohm into the cell, whatever the lamp takes.

    With OCV = 3 V + 1.2 V s that is t = Q R / 1.2 V ln(0.1012 V / 0.1 V) for the last 0.1 %.
    """
    run = simulated(
        tmp_path, FULL, curve="0,3.0\n1,4.2\n", charge="99.9 %", lasts="1 s", steps=LIT
    )
    assert events(run) == [
        (0, "charge.started"), (pytest.approx(FULL_NS, abs=2), "charge.completed")
    ]
    assert run.end_charge == pytest.approx(1.0 - 3e-3 * (1.0 - FULL_NS * 1e-9) / 1.44, rel=1e-9)


@pytest.mark.parametrize(("finish", "at"), [("16 %", FULL_NS), ("14 %", 2_000_000_000)])
def test_a_full_cell_leaves_a_charger_with_finish_the_load(
    tmp_path: Path, finish: str, at: int
) -> None:
    """3 mA are 15 % of 20 mA: below `finish` a full cell ends the charge, above it the load does
    not let it end before it is gone.
    """
    gadget = FULL.replace('float = "4.3 V"', f'float = "4.3 V"\nfinish = "{finish}"')
    run = simulated(
        tmp_path, gadget, curve="0,3.0\n1,4.2\n", charge="99.9 %", lasts="3 s", steps=LIT
    )
    # What goes into a full cell goes to nothing over its last millionth: 1.4 uC at 10 mA.
    assert events(run) == [
        (0, "charge.started"), (pytest.approx(at, abs=200_000), "charge.completed")
    ]


WAKEFUL = """
[cell]
curve = "curve.csv"
capacity = "6.2 uAh"
leakage = "12 uA"
[controller]
awake = "2.9 mA"
wake = "{wake}"
[behaviour.tick]
starts = "asleep"
states.asleep = {{}}
states.awake = {{ controller = "awake" }}
rows = [
  {{ after = "100 ms", from = "asleep", to = "awake" }},
  {{ after = "1 ms", from = "awake", to = "asleep" }},
]
"""


@pytest.mark.parametrize("fold", [True, False])
def test_a_waking_takes_no_more_than_is_left_in_the_cell(tmp_path: Path, *, fold: bool) -> None:
    """The protection opens at charge 0, and the charge stays there."""
    run = simulated(tmp_path, WAKEFUL.format(wake="0.9 mC"), curve=FLAT, charge="21 %",
                    lasts="1500 ms", fold=fold)
    assert run.empty_at_ns == 605_000_000  # the sixth: 4.69 mC are less than six wakings take
    assert run.end_charge == pytest.approx(0.0, abs=1e-9)
