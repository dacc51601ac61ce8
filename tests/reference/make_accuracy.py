"""Measure how far simfw is from solvers, published models and a measured cell; write the page.

    python -m tests.reference.make_accuracy [docs/explanation/accuracy.md]

Needs the extras `test` and `reference`; takes a few minutes, most of it electrochemistry.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.reference import electrochemistry, lives, pouch, solver

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "accuracy.md"

HEAD = """\
# How accurate the figures are

This page is written by a script that anyone can run (`python -m tests.reference.make_accuracy`,
with the extras `test` and `reference`). A percentage is simfw's figure against the other's:
+1 % means that simfw says 1 % more. What the figures cannot know is at the end.
"""

TAIL = """\
## What these figures cannot know

* They compare models with each other, and one cell with its own curve. Your cell is another one:
  capacity and resistance are what you write into the file, and their errors go straight into run
  times. Cells of one type differ by some per cent, old ones by tens of per cent.
* The resistance that counts over minutes and hours is about three times what the first second shows
  (24 against 73 mohm for the pouch cell above). What data sheets give at 1 kHz is low in the same
  way (common practice, no source).
* The slow end of a charge is diffusion in the cell. A curve and a resistance show it too short;
  `simfw circuit` prints the span.
* Temperature acts on the cell only through `resistance_at_temperature`, on the LEDs not at all.
* A 30-day measurement of radio nodes contradicted the plain sum of duty cycles (L. Barboni and
  M. Valle, *Wireless Sensor Network* 6 (2014) 212): what is not in the file is not in the answer.
* Large short currents take capacity from small cells: 30 mA instead of 15 mA peaks cost a coin cell
  9 % on average (Texas Instruments SWRA349). simfw does not model that.
* Alkaline cells give less the more they are asked for: 2.20, 1.30, 0.83 and 0.54 Ah at 0.1, 0.5,
  1 and 2 A for one AA cell (powerstream.com/AA-tests.htm); `capacity` is one figure, so take it at
  the gadget's current. Lithium-ion cells lose 4 % from 0.15 to 4.6 A (measured cells of 3.08 Ah).
* The middle of `lfp` (15 mV from 40 % to 60 %) and of `nimh` is flat: an error of 15 mV is 25
  points of charge there. Cells in series are taken as equal.
"""


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def off(ours: float, theirs: float) -> str:
    """The difference in per cent."""
    return f"{100.0 * (ours / theirs - 1.0):+.2f} %"


def lights() -> Iterator[str]:
    """Static currents and pulse averages against the circuit solver."""
    yield "## Lights against a circuit solver\n"
    yield (
        "One to six LEDs (2.75 V at 1 mA, 3.20 V at 20 mA) with 22 ohm each or shared, on a cell "
        "of 0, 0.18 and 10 ohm, 3.0 to 4.2 V; the solver is neospice, with the same parameters. "
        "Worst difference of the supply current:\n"
    )
    rows = [
        [switch, str(count), f"{100.0 * solver.worst_error(count, switch):.5f} %"]
        for count, switch in solver.CASES
    ]
    yield table(["switch", "LEDs", "worst"], rows)
    yield "Averages over time of one such LED on 3.7 V, the solver's transient analysis:\n"
    ideal = [
        ("PWM 1 kHz, 30 %, ideal switch", 1e3, 0.30, None),
        ("carrier 38 kHz, 1/3, ideal switch", 38e3, 1 / 3, None),
        ("the same in bursts of 16 of 32 periods", 38e3, 1 / 3, 0.5),
    ]
    rows = []
    for name, hertz, duty, gate in ideal:
        theirs = solver.ideal_switch_mean_a(hertz, duty, gate)
        ours = solver.our_mean_a("nmos", duty) * (gate or 1.0)
        rows.append([name, f"{theirs * 1e3:.4f} mA", off(ours, theirs)])
    slow = solver.npn_mean_a(1e3, 0.30)
    rows.append(["PWM 1 kHz, 30 %, npn that stores charge", f"{slow * 1e3:.4f} mA",
                 off(solver.our_mean_a("npn", 0.30), slow)])  # fmt: skip
    fast = solver.npn_mean_a(38e3, 1 / 3)
    storage = solver.npn_storage_s()
    rows.append(["carrier 38 kHz, 1/3, the same npn, duty alone", f"{fast * 1e3:.4f} mA",
                 off(solver.our_burst_mean_a(1 / 3, None), fast)])  # fmt: skip
    mended = off(solver.our_burst_mean_a(1 / 3, storage), fast)
    rows.append([f"the same with its storage time ({storage * 1e9:.0f} ns) in the file",
                 f"{fast * 1e3:.4f} mA", mended])  # fmt: skip
    yield table(["case", "solver", "simfw"], rows)
    yield (
        "How much stored charge adds depends on the transistor and its base circuit; 13 % was the "
        "most that was found at 38 kHz (npn without a base-emitter resistor, in another solver, "
        "ngspice 39), and that is the band which `simfw circuit` prints.\n"
    )


def measured_cell() -> Iterator[str]:
    """The pouch cell's discharges."""
    yield "## A measured cell\n"
    yield (
        "The LCO pouch cell of 2.28 Ah behind the built-in curve `lco` (source in "
        "`tests/data/cells/README.md`), hours until the terminal falls to a voltage. The curve "
        "comes from 0.1C, the 73 mohm from 0.1C against 0.5C; 1C is predicted.\n"
    )
    rows = []
    for rate in pouch.FILES:
        for volts in (3.6, 3.3, 3.01):
            theirs = pouch.measured_hours(rate, volts)
            rows.append(
                [f"{rate:g}C to {volts:g} V", f"{theirs:.3f} h",
                 off(pouch.our_hours(rate, volts), theirs),
                 off(pouch.our_hours(rate, volts, 0.0), theirs)]
            )  # fmt: skip
    yield table(["discharge", "measured", "simfw", "simfw without resistance"], rows)
    yield (
        f"Resistance of that cell: {1e3 * pouch.first_second_ohm():.0f} mohm in the first second "
        f"at 1C, {1e3 * pouch.slow_resistance_ohm():.0f} mohm (median) between whole discharges.\n"
    )


def published_cells() -> Iterator[str]:
    """Run and charge times against the porous-electrode model."""
    yield "## Published cells in a porous-electrode model\n"
    yield (
        "PyBaMM solves the Doyle-Fuller-Newman model with four published parameter sets; simfw has "
        "the set's open-circuit curve and one resistance, read off the model after ten minutes at "
        "1C (so the resistance is fitted, the times are not). Constant current from full to the "
        "set's cut-off, and charging from empty at 4.2 V:\n"
    )
    rows = []
    for cell in electrochemistry.CELLS:
        milliohm = 1e3 * electrochemistry.series_ohm(cell)
        row = [f"{cell.set_name} (`{cell.curve}`)", f"{milliohm:.1f}"]
        for rate in (0.02, 0.2, 1.0):
            theirs = electrochemistry.their_discharge_h(cell, rate)
            row.append(off(electrochemistry.our_discharge_h(cell, rate), theirs))
        for rate, finish in ((0.2, 0.05), (0.5, 0.1), (0.5, 0.05)):
            theirs = electrochemistry.their_charge_h(cell, rate, finish)
            ours = electrochemistry.our_charge(cell, rate, finish)
            row.append(off(ours.time_s / 3600.0, theirs))
        rows.append(row)
        print(" ".join(row), file=sys.stderr)
    yield table(
        ["cell", "mohm", "C/50", "C/5", "1C", "charge C/5 to C/20", "C/2 to C/10", "C/2 to C/20"],
        rows,
    )


def lived() -> Iterator[str]:
    """Lives over a pattern against the simulator, instant by instant."""
    yield "## Lives against the simulator\n"
    yield (
        "`simfw life` charges what rests by its mean and reads the charge from tables; `simfw run` "
        "does neither. One user of each demo pattern, the same presses and hands in both, until "
        "before the first charge; the difference is that of the charge drawn. States of the "
        "behaviour (but a wink that rests) lasted the same to the nanosecond where it says 0.\n"
    )
    rows = []
    for name, charge, hours, share, differs, state_ns in lives.drawn():
        rows.append([name.removesuffix(".toml"), f"{charge:.0%}", f"{hours} h", f"{share:.2%}",
                     f"{100.0 * differs:+.5f} %", str(state_ns)])
    yield table(["pattern", "from", "over", "drawn", "life against run", "states, ns"], rows)
    yield "Charging from empty with nobody touching the gadget:\n"
    yield table(
        ["gadget", "run", "life"],
        [[name, f"{theirs:.1f} s", f"{100.0 * (ours / theirs - 1.0):+.4f} %"]
         for name, theirs, ours in lives.charge_times()],
    )


def page() -> str:
    """The whole page."""
    parts = [HEAD, *lights(), *measured_cell(), *published_cells(), *lived(), TAIL]
    return "\n".join(parts)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else PAGE
    target.write_text(page(), encoding="utf-8")
    print(target)
