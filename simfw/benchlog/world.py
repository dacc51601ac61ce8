"""A gadget with other figures, as the bench has it: parts, one clock factor, one true reference."""

from __future__ import annotations

import math
from collections.abc import Mapping

from simfw.benchlog.model import CLOCK, StartCharge
from simfw.circuit.circuit import Circuit
from simfw.engine.corners import HOLD_UP, changed, rows_ignore
from simfw.engine.prepared import Prepared
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import places, quantities
from simfw.quantity import Timing

__all__ = ["World", "start_ends", "tick_ns"]

_FINE_NS = 10_000  # a common measure of all times below which a factor would be too coarse
_LATEST = 4  # gadgets that are kept as they were made last
_KEPT = 16  # gadgets whose rows are lent to those that differ from them in the circuit only
# Times that are not the controller's: the charger's chip, a transistor, what somebody demands.
_OTHERS = ("cell.", "charger.", "lights.", "loads.", "pins.", "rules[", "readings", HOLD_UP)
# What is of the cell alone, and by how much more a supply lasts than it.
_CELL_ALONE = ("cell.resistance", "cell.leakage", "cell.self_discharge")
_ENDLESS = 1e6


def _timings(gadget: Gadget) -> dict[str, int]:
    """The times that the controller's clock counts (ns), by their keys."""
    return {
        key: figure.ns for key, figure in quantities(gadget).items()
        if isinstance(figure, Timing) and not key.startswith(_OTHERS)
    }


def tick_ns(gadget: Gadget) -> int:
    """The common measure of all times that the controller's clock counts (ns)."""
    return math.gcd(*_timings(gadget).values())


class World:
    """One combination of answers: its gadget, and the same with other figures."""

    def __init__(self, gadget: Gadget) -> None:
        self.gadget = gadget
        self._base = Prepared(gadget).without_rules()
        self._latest: dict[tuple[tuple[str, float], ...], Prepared] = {}
        self._rows: dict[tuple[tuple[str, float], ...], Prepared] = {(): self._base}
        self._places = places(gadget)
        self._timings = _timings(gadget)
        self._tick_ns = tick_ns(gadget)

    def rehearsed(self) -> Prepared:
        """The gadget as its file says: what is tabulated of it guides the same with other figures.

        To be run before any other, so that these find the same whatever their order.
        """
        return self._base

    def prepared(self, values: Mapping[str, float]) -> Prepared:
        """The gadget with other values (SI, ns; `clock` a factor), ready to be simulated."""
        asked = tuple(values.items())
        known = self._latest.get(asked) if asked else self._base
        if known is not None:
            return known
        figures = self.figures(values)
        gadget, reference_v = changed(self.gadget, figures, known=self._places)
        # Rows that read the same are built once: most observations depend on few figures.
        read = tuple((key, n) for key, n in figures.items() if not rows_ignore(key))
        rows = self._rows.get(read)
        made = Prepared(gadget, reference_v=reference_v, rows=rows).without_rules()
        if rows is None:
            if len(self._rows) > _KEPT:
                del self._rows[next(key for key in self._rows if key)]  # the oldest
            self._rows[read] = made
        made.learn_with(self._base)
        if rows is not None:
            made.learned = rows.learned
        # Observations that the same figures decide ask for the same gadget, others in between.
        if len(self._latest) >= _LATEST:
            del self._latest[next(iter(self._latest))]
        self._latest[asked] = made
        return made

    def supplied(self, values: Mapping[str, float]) -> dict[str, float]:
        """The same with a bench supply in place of the cell: stiff, and nothing is drawn by it."""
        written = quantities(self.gadget)
        capacity = values.get("cell.capacity", written["cell.capacity"].value)  # type: ignore[union-attr]
        gone = {key: 0.0 for key in _CELL_ALONE if key in written}
        return {**values, **gone, "cell.capacity": _ENDLESS * capacity}

    def figures(self, values: Mapping[str, float]) -> dict[str, float]:
        """Keys of the gadget file with their values: the clock's factor is in all times.

        The times keep their ratios to the last digit, as those that one clock counts do: what
        came round together still does.
        """
        figures = {key: value for key, value in values.items() if key != CLOCK}
        factor = values.get(CLOCK)
        if factor is None:
            return figures
        tick = self._tick_ns if self._tick_ns >= _FINE_NS else 1
        scaled = round(tick * factor) if tick > 1 else factor
        for key, ns in self._timings.items():
            figures[key] = (
                round(figures[key] * factor) if key in figures else round(ns // tick * scaled)
            )
        return figures


def start_ends(start: StartCharge, prepared: Prepared) -> tuple[float, float]:
    """The charges (0..1) between which an observation begins."""
    gadget, circuit = prepared.gadget, prepared.circuit
    match start.kind:
        case "volts":
            return _charge_at(circuit, start.low), _charge_at(circuit, start.high)
        case "cut-off":
            cut = gadget.cell.cut_off
            at = 0.0 if cut is None else _charge_at(circuit, cut.value)
            return at, at
        case "last bar":
            bars = () if gadget.gauge is None else gadget.gauge.thresholds
            low, high = (
                _bar_charge(prepared, bars[k].value) if k < len(bars) else 1.0 for k in (0, 1)
            )
            return low, high
        case "any":
            return 0.0, 1.0
    return start.low, start.high


def _bar_charge(prepared: Prepared, level: float) -> float:
    gauge = prepared.gadget.gauge
    if gauge is not None and gauge.method == "counting":
        return min(max(level, 0.0), 1.0)
    return _charge_at(prepared.circuit, prepared.circuit.true_v_for(level))


def _charge_at(circuit: Circuit, voltage_v: float) -> float:
    """The charge at which the open-circuit voltage passes `voltage_v`; 0 or 1 beyond the ends."""
    low, high = 0.0, 1.0
    if float(circuit.open_circuit_v(0.0)) >= voltage_v:
        return 0.0
    if float(circuit.open_circuit_v(1.0)) <= voltage_v:
        return 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if float(circuit.open_circuit_v(middle)) < voltage_v:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
