"""The charge of the cell in bands, and what its voltage may be in each of them.

Without USB a cell only loses charge; its *terminal voltage* may well rise, when a light goes off.
So it is the charge that is cut into bands that move one way, and the voltage is worked out from the
band and the loads of the moment, solved on the circuit as described: for a known load it is a
narrow interval, and for loads that the search leaves out, the interval between none and all of them
on. Bands end where a voltage that is asked for is crossed with nothing on, and where it is crossed
with everything on.

A band whose lower end cannot be reached at once (the charge in it, over the largest current that
the circuit can draw) keeps that time for a cell that comes from above.

The search is at 25 degC and at nominal values, as runs are.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.behaviour import expression as ex
from simfw.behaviour.outputs import larger
from simfw.behaviour.region import Drive, Region, Row, State
from simfw.circuit.circuit import ChargerMode, Circuit, LoadSet
from simfw.circuit.wake import wake_of
from simfw.gadget.model import Gadget
from simfw.verify.terms import Span

if TYPE_CHECKING:
    from simfw.verify.machine import Machine

__all__ = ["BAND", "Bands", "Reader", "make_bands"]

Array = NDArray[np.float64]

BAND = "(charge)"
"""The name of the region that holds the band; no written region can have it."""

NODES = 801
TINY = 1e-7
"""Charges nearer than this are one; voltages are compared to a microvolt."""
MICRO_V = 1e-6
KEPT_PERIODS = 3
MODES: tuple[ChargerMode, ...] = ("precharge", "fast", "complete")
"""The modes of a charger with USB in."""


@dataclass(frozen=True, slots=True)
class Bands:
    """Bands 0 .. n of the charge, split at `edges` (rising, 0..1).

    `least_ns[k]`: the shortest time in which a full fall through band k takes place.
    """

    edges: tuple[float, ...]
    least_ns: tuple[int, ...]

    def region(self, *, falls: bool, rises: bool) -> tuple[Region, dict[str, Span]]:
        """The region that moves between the bands: down at any time it can, up only with USB."""
        states, rows, spans = [], list[Row](), dict[str, Span]()

        def add(key: str, source: str, to: str, least: int, when: ex.Expression | None) -> None:
            spans[key] = Span(least, None)
            rows.append(Row(key=key, sources=(source,), to=to, after_ns=max(1, least), when=when))

        for k, least in enumerate(self.least_ns):
            names = [(f"{k}", 0)] + [(f"{k}.top", least)] * (least > 0)
            for name, wait in names:
                states.append(State(name=name))
                if falls and k > 0:
                    below = f"{k - 1}.top" if self.least_ns[k - 1] else f"{k - 1}"
                    add(f"{BAND}.{name}.falls", name, below, wait, None)
                if rises and k + 1 < len(self.least_ns):
                    add(f"{BAND}.{name}.rises", name, f"{k + 1}", 0, ex.Flag("usb"))
        return Region(name=BAND, group="gauge", states=tuple(states), starts="0",
                      rows=tuple(rows)), spans


def make_bands(
    gadget: Gadget, circuit: Circuit, regions: Iterable[Region],
    limits: Mapping[str, Sequence[float]], period_ns: int,
) -> Bands:
    """Bands that tell apart what is asked: `limits` by quantity (V, V measured, 0..1).

    `regions` are all that can drive anything. Times much longer than `period_ns`, the longest dwell
    that the search keeps, are cut to a few of it: shorter is on the safe side.
    """
    most: dict[str, Drive] = {}
    for region in regions:
        for state in region.states:
            for name, drive in state.most.items():
                most[name] = larger(most[name], drive) if name in most else drive
    light = LoadSet(controller="off")
    heavy = LoadSet(drives=_drives(most), controller="awake")
    charge: Array = np.union1d(np.linspace(0.0, 1.0, NODES), circuit.charge_nodes)
    volts = _asked_v(circuit, limits)
    found = [limit for limit in limits.get("cell.charge", ()) if 0.0 < limit < 1.0]
    # A sample taken while charging reads high: how far, decides how far the cell may be down.
    lifted = replace(light, charger="fast")
    curves = [(light, volts), (heavy, volts)]
    if circuit.charger is not None:
        curves.append((lifted, _asked_v(circuit, {
            "gauge.measured": limits.get("gauge.measured", ())})))
    for load, asked in curves:
        curve = circuit.solve(load, charge).voltage_v
        found += [at for limit in asked for at in _crossings(circuit, load, charge, curve, limit)]
    restart = gadget.cell.restart
    if restart is not None:
        dead = LoadSet(controller="off", protected=True)
        curve = circuit.solve(dead, charge).open_circuit_v
        found += _crossings(circuit, dead, charge, curve, restart.value, inner=True)
    edges: list[float] = []
    for at in sorted(found):
        if TINY < at < 1.0 - TINY and (not edges or at - edges[-1] > TINY):
            edges.append(at)
    drawn_a = float(np.max(np.sum(circuit.solve(heavy, charge).consumers_a, axis=0)))
    lump = wake_of(gadget.controller).charge_c > 0.0
    least = []
    for low, high in zip([0.0, *edges], [*edges, 1.0], strict=True):
        seconds = 0.99 * (high - low) * circuit.capacity_c / drawn_a if drawn_a else 1e9
        time_ns = 0 if lump else min(int(seconds * 1e9), KEPT_PERIODS * period_ns)
        least.append(time_ns if 10 * time_ns >= period_ns else 0)
    return Bands(tuple(edges), tuple(least))


def _drives(drives: Mapping[str, Drive]) -> tuple[tuple[str, float, int], ...]:
    return tuple(
        (name, drive.duty, -1 if drive.segments is None else drive.segments)
        for name, drive in sorted(drives.items())
        if (drive.duty if drive.segments is None else drive.segments) > 0
    )


def _asked_v(circuit: Circuit, limits: Mapping[str, Sequence[float]]) -> set[float]:
    """The voltages (V) at which an answer changes: as asked, as measured, and the cut-off."""
    found = set(limits.get("cell.voltage", ()))
    found |= {circuit.true_v_for(limit) for limit in limits.get("gauge.measured", ())}
    return found if circuit.cut_off_v is None else found | {circuit.cut_off_v}


def _crossings(
    circuit: Circuit, load: LoadSet, charge: Array, curve: Array, limit_v: float,
    inner: bool = False,
) -> list[float]:
    """The charges at which the voltage of a load passes `limit_v` (found by halving)."""
    found = []
    above = curve >= limit_v
    for k in np.flatnonzero(above[1:] != above[:-1]):
        low, high, rising = float(charge[k]), float(charge[k + 1]), bool(above[k + 1])
        for _ in range(40):
            middle = 0.5 * (low + high)
            solved = circuit.solve(load, middle)
            volts = float((solved.open_circuit_v if inner else solved.voltage_v)[0])
            if (volts >= limit_v) == rising:
                high = middle
            else:
                low = middle
        found.append(high)
    return found


@dataclass(frozen=True, slots=True)
class Window:
    """What may be read in one band under the loads of one combination."""

    values: Mapping[str, tuple[float, ...]]
    may_change: bool
    must_change: bool


class Reader:
    """Answers what the cell may read in an instant of one machine.

    `unknown` are the regions whose states the machine does not follow: they may drive anything that
    one of their states drives, or nothing. `may_change` and `must_change` of a window tell whether
    the protection can or has to open (while the supply is on) or close (while it is off). `asked`
    are the numbers of the machine's regions whose states decide.
    """

    def __init__(
        self, gadget: Gadget, circuit: Circuit, bands: Bands, unknown: Sequence[Region],
        limits: Mapping[str, Sequence[float]], values: Mapping[str, Sequence[float]],
    ) -> None:
        self._circuit = circuit
        self.bands = bands
        self._restart_v = None if gadget.cell.restart is None else gadget.cell.restart.value
        self._charged = gadget.charger is not None
        self._path = gadget.power_path
        self._limits = {name: tuple(found) for name, found in limits.items()}
        self._values = {name: tuple(found) for name, found in values.items()}
        self._asked_v = sorted(_asked_v(circuit, limits) | (
            set() if self._restart_v is None else {self._restart_v}))
        edges = np.array(bands.edges)
        self._charge: Array = np.unique(np.concatenate(
            [np.linspace(0.0, 1.0, NODES), circuit.charge_nodes, edges]))
        ends = np.array([0.0, *bands.edges, 1.0])
        self._first = np.searchsorted(self._charge, ends[:-1], side="left")
        self._last = np.searchsorted(self._charge, ends[1:], side="left")
        self._curves: dict[LoadSet, tuple[Array, Array]] = {}
        self._windows: dict[tuple[object, ...], Window] = {}
        self._possible: dict[str, Drive] = {}
        self._may_wake = any(state.awake for region in unknown for state in region.states)
        self._lessened = {name for region in unknown for state in region.states
                          for name in (*state.takes_out, *state.scales, *state.dial_scales)}
        for region in unknown:
            for state in region.states:
                for name, drive in state.most.items():
                    self._add(self._possible, name, drive)
        self._regions: tuple[Region, ...] = ()
        self._number: list[int] = []
        self._usb = -1
        self.asked: tuple[int, ...] = ()

    @staticmethod
    def _add(into: dict[str, Drive], name: str, drive: Drive) -> None:
        into[name] = larger(into[name], drive) if name in into else drive

    def bind(self, machine: Machine, unknown: frozenset[str]) -> None:
        """Take note of the machine's regions; `unknown` are those of them it does not follow."""
        self._regions = tuple(
            Region(name=region.name, group=region.group, states=(), starts="", rows=())
            if region.name in unknown else region
            for region in machine.regions
        )
        self._band = machine.region_index[BAND]
        self._number = [int(state.name.partition(".")[0])
                        for state in machine.regions[self._band].states]
        self._usb = machine.flag_index.get("usb", -1)
        self.asked = tuple(
            index for index, region in enumerate(self._regions)
            if index == self._band
            or any(state.drives or state.awake or state.position for state in region.states)
        )
        self._lessened |= {name for region in machine.regions for state in region.states
                           for name in (*state.takes_out, *state.scales, *state.dial_scales)}

    def charges(self, states: Sequence[int]) -> tuple[float, float]:
        """The ends of the band in which the cell stands (0..1)."""
        ends = (0.0, *self.bands.edges, 1.0)
        band = self._number[states[self._band]]
        return ends[band], ends[band + 1]

    def window_of(self, states: Sequence[int], usb: bool, on: bool) -> Window:
        """What may be read where the regions are in these states, with USB and supply so."""
        band = self._number[states[self._band]]
        key = (band, usb) if not on else (*[states[index] for index in self.asked], usb)
        found = self._windows.get(key)
        if found is None:
            found = self._windows[key] = (
                self._powered(states, band, usb) if on else self._dead(band, usb)
            )
        return found

    def _powered(self, states: Sequence[int], band: int, usb: bool) -> Window:
        sure: dict[str, Drive] = {}
        may: dict[str, Drive] = dict(self._possible)
        awake = False
        turned = {where.dial: where.drive for index, region in enumerate(self._regions)
                  if region.states and (where := region.states[states[index]].position)}
        for index, region in enumerate(self._regions):
            if not region.states or index == self._band:
                continue
            state = region.states[states[index]]
            awake = awake or state.awake
            for name, drive in state.most.items():
                # Where the dial is not followed it may stand anywhere: its largest value and none.
                if drive.dial is not None:
                    drive = turned.get(drive.dial, drive)
                self._add(may, name, drive)
            for name, drive in state.least.items():
                known = drive.dial is None or drive.dial in turned
                if drive.dial is not None:
                    drive = turned.get(drive.dial, drive)
                if known and region.show is None and name not in self._lessened:
                    self._add(sure, name, drive)
        for name, drive in sure.items():
            self._add(may, name, drive)
        controllers = {"awake"} if awake else {"asleep", "awake"} if self._may_wake else {"asleep"}
        loads = [LoadSet(drives=_drives(drives), controller=one)  # type: ignore[arg-type]
                 for one in sorted(controllers) for drives in (sure, may)]
        low, high = self._voltage(loads, band, usb)
        cut_v = self._circuit.cut_off_v
        may_open = band == 0 if cut_v is None else band == 0 or low < cut_v
        must_open = cut_v is not None and high < cut_v
        if self._path:
            # USB may have fed the gadget past an open protection, and then be gone.
            at = self._restart_v
            inner = self._span(self._curve(LoadSet(controller="off", protected=True))[1], band)
            may_open = may_open or (at is not None and inner[0] < at)
            must_open = must_open and not usb
        return Window(self._seen(low, high, band), may_open, must_open)

    def _dead(self, band: int, usb: bool) -> Window:
        dead = LoadSet(controller="off", protected=True)
        low, high = self._voltage([dead], band, usb)
        inner = self._span(self._curve(dead)[1], band)
        at = self._restart_v
        if self._path and usb:
            return Window(self._seen(low, high, band), may_change=True, must_change=False)
        if at is None:
            # Only a charger that feeds the cell closes it then, above the cut-off if there is one.
            fed = self._charged and (usb or self._usb < 0)
            cut_v = self._circuit.cut_off_v
            may_close = fed and (cut_v is None or inner[1] >= cut_v)
            return Window(self._seen(low, high, band), may_close, must_change=False)
        return Window(self._seen(low, high, band), inner[1] >= at, inner[0] >= at and band > 0)

    def _voltage(self, loads: Sequence[LoadSet], band: int, usb: bool) -> tuple[float, float]:
        """Least and greatest voltage under any of `loads`, in any mode the charger may be in."""
        charger = self._circuit.charger
        if not usb or charger is None:
            return self._under(loads, band, "off")
        found = {mode: self._under(loads, band, mode) for mode in MODES}
        # A mode that its own step surely leaves at these voltages does not last an instant.
        lasting = [
            (low, high) for mode, (low, high) in found.items()
            if not any(
                step.quantity == "voltage_v"
                and (low >= step.level if step.rising else high < step.level)
                for step in charger.steps(mode)
            )
        ] or list(found.values())
        return min(low for low, _ in lasting), max(high for _, high in lasting)

    def _under(
        self, loads: Sequence[LoadSet], band: int, mode: ChargerMode
    ) -> tuple[float, float]:
        spans = [self._span(self._curve(replace(load, charger=mode))[0], band) for load in loads]
        return min(low for low, _ in spans), max(high for _, high in spans)

    def _curve(self, load: LoadSet) -> tuple[Array, Array]:
        found = self._curves.get(load)
        if found is None:
            solved = self._circuit.solve(load, self._charge)
            found = self._curves[load] = (solved.voltage_v, solved.open_circuit_v)
        return found

    def _span(self, volts: Array, band: int) -> tuple[float, float]:
        """Least and greatest voltage in a band.

        The voltage at its upper end is not reached, unless that is a full cell or the voltage
        stands still there (a charger that keeps its float voltage): such voltages are exact.
        """
        part = volts[self._first[band] : self._last[band] + 1]
        low, high = float(part.min()), float(part.max())
        if np.any(np.diff(part) < 0.0):
            # Between nodes it may be beyond them by no more than they differ.
            slack = float(np.max(np.abs(np.diff(part))))
            return low - slack, high + slack
        still = len(part) > 1
        if not (still and part[1] == part[0]):
            k = bisect_left(self._asked_v, low - MICRO_V)
            if k < len(self._asked_v) and abs(self._asked_v[k] - low) <= MICRO_V:
                low = self._asked_v[k]
        full = self._last[band] == len(volts) - 1
        if not (full or (still and part[-2] == part[-1])):
            k = bisect_left(self._asked_v, high - MICRO_V)
            if k < len(self._asked_v) and abs(self._asked_v[k] - high) <= MICRO_V:
                high = float(np.nextafter(self._asked_v[k], -np.inf))
        return low, max(low, high)

    def _seen(self, low_v: float, high_v: float, band: int) -> dict[str, tuple[float, ...]]:
        ends = (0.0, *self.bands.edges, 1.0)
        top = ends[band + 1]
        ranges = {
            "cell.voltage": (low_v, high_v),
            "gauge.measured": (self._circuit.measured_v(low_v), self._circuit.measured_v(high_v)),
            "cell.charge": (ends[band], top if top == 1.0 else float(np.nextafter(top, 0.0))),
        }
        return {
            name: values[_place(self._limits[name], ranges[name][0]) :
                         _place(self._limits[name], ranges[name][1]) + 1]
            for name, values in self._values.items()
            if name in ranges and self._limits.get(name)
        }


def _place(limits: Sequence[float], value: float) -> int:
    """The place, among a value below, at, between and above the limits, of `value`."""
    k = bisect_left(limits, value)
    return 2 * k + (k < len(limits) and limits[k] == value)
