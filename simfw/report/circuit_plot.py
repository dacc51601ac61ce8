"""Current and light of each light against the cell's voltage. matplotlib is imported inside."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from simfw.circuit.circuit import Circuit
from simfw.circuit.endurance import supply_table
from simfw.circuit.overview import light_on
from simfw.report.plots import STATE_COLOURS, STYLE, check_ending
from simfw.writing import write_whole

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

    from simfw.gadget.model import Gadget

__all__ = ["circuit_figure", "write_circuit_plot"]

LINES = ("-", "--", "-.", ":")


def write_circuit_plot(gadget: Gadget, path: str | Path) -> None:
    """Draw the circuit's curves into `path` (.png, .svg, .pdf), whole or not at all."""
    ending = check_ending(path)
    import matplotlib

    stream = io.BytesIO()
    with matplotlib.rc_context(STYLE):
        # No date and no program version inside: the same gadget gives the same bytes.
        metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}
        circuit_figure(gadget).savefig(stream, format=ending, dpi=130, metadata=metadata[ending])
    write_whole(path, stream.getvalue())


def circuit_figure(gadget: Gadget) -> Figure:
    """Two panels over the terminal voltage: supply current, and light relative to a full cell."""
    from matplotlib.figure import Figure

    circuit = Circuit(gadget)
    figure = Figure(figsize=(9.0, 6.4), layout="constrained")
    current, light = figure.subplots(2, 1, sharex=True)
    for number, name in enumerate(gadget.lights):
        table = supply_table(circuit, light_on(name))
        style = LINES[number % len(LINES)]
        colour = STATE_COLOURS[number % len(STATE_COLOURS)]
        volts = table["voltage_v"]
        current.plot(volts, table[f"{name}_a"] * 1e3, style, color=colour, label=name)
        light.plot(volts, table[f"{name}_light"] * 100.0, style, color=colour, label=name)
    cut_off = circuit.cut_off_v
    for axis in (current, light):
        axis.set_ylim(bottom=0.0)
        if cut_off is not None:
            axis.axvline(cut_off, color="#8A8A8A", linewidth=0.9, linestyle=":")
    if cut_off is not None:
        light.annotate("protection opens", (cut_off, 4.0), rotation=90, fontsize=8,
                       ha="right", va="bottom", color="#555555")
    light.axhline(10.0, color="#8A8A8A", linewidth=0.9, linestyle="--")
    light.annotate("10 %: end of the run time (FL 1)", (1.0, 10.0), fontsize=8, ha="right",
                   va="bottom", xycoords=("axes fraction", "data"), color="#555555")
    current.set_ylabel("supply current (mA)")
    light.set_ylabel("light against a full cell (%)")
    light.set_xlabel("terminal voltage (V)")
    current.set_title(f"{gadget.head.name}: each light fully on", loc="left")
    if gadget.lights:
        current.legend(frameon=False, fontsize=8)
    return figure
