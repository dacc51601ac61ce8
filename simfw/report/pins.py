"""The report on a gadget's pins: what `simfw pins` prints, as text and as JSON."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

from simfw.quantity import format_si
from simfw.report.cautions import caution_lines
from simfw.report.text import columns, guess_lines, origins_json, plain

if TYPE_CHECKING:
    from simfw.circuit.pins import PinReport, PinRow
    from simfw.gadget.model import Gadget
    from simfw.report.text import Paint

__all__ = ["pins_json", "pins_text"]


def pins_json(gadget: Gadget, report: PinReport) -> dict[str, Any]:
    """The report as JSON values: units in the names."""
    return {
        "gadget": gadget.head.name,
        "rows": [_row_json(row) for row in report.rows],
        "outputs": [dataclasses.asdict(row) for row in report.outputs],
        "findings": [dataclasses.asdict(finding) for finding in report.findings],
        "faults": len(report.faults),
        **origins_json(gadget, "pins"),
    }


def _row_json(row: PinRow) -> dict[str, Any]:
    found = dataclasses.asdict(row)
    if row.injected_a == math.inf:
        found["injected_a"] = None
    return found


def pins_text(gadget: Gadget, report: PinReport, paint: Paint = plain) -> str:
    """The report as text, lines ended by newlines."""
    lines = [paint(f"{gadget.head.name}: the controller's pins at every corner", "head")]
    if report.rows:
        head = ("pin", "controller", "source", "voltage", "reads", "protection diode")
        lines += ["", *columns([head, *(_row(row) for row in report.rows)])]
    if report.outputs:
        lines += ["", paint("Pins that feed a light or a base", "head")]
        lines += columns(
            [
                (row.name, format_si(row.current_a, "A"),
                 "" if row.limit_a is None else f"the pin may carry {format_si(row.limit_a, 'A')}")
                for row in report.outputs
            ]
        )  # fmt: skip
    lines += ["", paint("Findings", "head")]
    for finding in report.findings:
        word = paint("fault", "bad") if finding.fault else "note"
        lines.append(f"  {word}  {finding.pin}: {finding.text}")
    if not report.findings:
        lines.append("  none")
    lines += guess_lines(gadget, "pins", paint)
    lines += ["", paint("Cautions", "head"), *caution_lines(gadget)]
    return "\n".join(lines) + "\n"


def _row(row: PinRow) -> tuple[str, ...]:
    # Adding 0.0 makes a rounded -0.00 an ordinary zero.
    low, high = round(row.low_v, 2) + 0.0, round(row.high_v, 2) + 0.0
    volts = f"{low:.2f} .. {high:.2f} V"
    diode = "not limited"
    if row.injected_a < math.inf:
        diode = "" if row.injected_a == 0.0 else format_si(row.injected_a, "A")
    if row.back_powers:
        diode += ", powers the controller"
    reads = " or ".join(row.levels) if row.power != "off" else ""
    if "floating" in row.levels:
        volts = "open"
    return (row.pin, row.power, row.source, volts, reads, diode)
