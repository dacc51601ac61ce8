"""Current and light of each light against the cell's voltage. matplotlib is imported inside."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simfw.circuit.circuit import Circuit
from simfw.circuit.endurance import supply_table
from simfw.circuit.overview import light_on
from simfw.report.drawing import DASHES, FAINT, STATE_COLOURS, write_figure

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

    from simfw.gadget.model import Gadget

__all__ = ["circuit_figure", "write_circuit_plot"]


def write_circuit_plot(gadget: Gadget, path: str | Path) -> None:
    """Draw the circuit's curves into `path` (.png, .svg, .pdf), whole or not at all."""
    write_figure(path, lambda: circuit_figure(gadget))


def circuit_figure(gadget: Gadget) -> Figure:
    """Two panels over the terminal voltage: supply current, and light relative to a full cell."""
    from matplotlib.figure import Figure

    circuit = Circuit(gadget)
    figure = Figure(figsize=(9.0, 6.4), layout="constrained")
    current, light = figure.subplots(2, 1, sharex=True)
    if not gadget.lights:
        figure.suptitle(f"{gadget.head.name}: the file has no lights")
    for number, name in enumerate(gadget.lights):
        table = supply_table(circuit, light_on(name))
        style = DASHES[number % len(DASHES)]
        colour = STATE_COLOURS[number % len(STATE_COLOURS)]
        volts = table["voltage_v"]
        current.plot(volts, table[f"{name}_a"] * 1e3, linestyle=style, color=colour, label=name)
        light.plot(volts, table[f"{name}_light"] * 100.0, linestyle=style, color=colour, label=name)
    cut_off = circuit.cut_off_v
    for axis in (current, light):
        axis.set_ylim(bottom=0.0)
        if cut_off is not None:
            axis.axvline(cut_off, color=FAINT, linewidth=0.9, linestyle=":")
    if cut_off is not None:
        current.annotate(f"protection opens, {cut_off:.2f} V", (cut_off, 0.97), fontsize=8,
                         xycoords=("data", "axes fraction"), xytext=(4, 0),
                         textcoords="offset points", ha="left", va="top", color="#555555")
    if gadget.lights:  # else the line lies far outside of an empty panel
        light.axhline(10.0, color=FAINT, linewidth=0.9, linestyle="--")
        light.annotate("10 %: end of the run time (FL 1)", (0.995, 10.0), fontsize=8, ha="right",
                       xytext=(0, 2), textcoords="offset points", va="bottom",
                       xycoords=("axes fraction", "data"), color="#555555")
    current.set_ylabel("supply current (mA)")
    light.set_ylabel("light against a full cell (%)")
    light.set_xlabel("terminal voltage (V)")
    current.set_title(f"{gadget.head.name}: each light fully on", loc="left")
    if gadget.lights:
        handles, labels = current.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=min(6, len(labels)),
                      frameon=False, fontsize=8)
    return figure
