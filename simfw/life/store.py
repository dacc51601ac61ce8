"""Combinations of states met so far, whatever the parts: load sets, what rests, mixes of loads."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from simfw.behaviour.expression import Constant
from simfw.behaviour.outputs import drives_of, is_awake
from simfw.behaviour.region import System
from simfw.behaviour.tree import View
from simfw.circuit.circuit import LoadSet
from simfw.life import registers as k
from simfw.life.layout import MODES, Layout
from simfw.life.resting import Laps, Moment, Truths, laps_of, majority

__all__ = ["Mix", "Store"]

class Hashed:
    """A hash table with open addressing, as `lookup.find` reads it."""

    def __init__(self) -> None:
        self.known: dict[int, int] = {}
        self._rebuild(256)

    def _rebuild(self, size: int) -> None:
        self.keys, self.values = [-1] * size, [0] * size
        for key, value in self.known.items():
            self._put(key, value)

    def _put(self, key: int, value: int) -> None:
        size = len(self.keys)
        at = ((key ^ (key >> 15) ^ (key >> 31)) * 40503) & (size - 1)
        while self.keys[at] >= 0:
            at = (at + 1) & (size - 1)
        self.keys[at] = key
        self.values[at] = value

    def add(self, key: int, value: int) -> None:
        """Add a key that is not there yet."""
        self.known[key] = value
        if 3 * len(self.known) > len(self.keys):
            self._rebuild(4 * len(self.keys))
        else:
            self._put(key, value)


@dataclass(frozen=True, slots=True)
class Mix:
    """What is charged while regions rest.

    `shares` holds (load set, place in `Store.lap_state` of each resting region): its share of time
    is the product of the shares of those places. `wakes` are the laps that wake the controller,
    with how often each does in one lap.
    """

    shares: tuple[tuple[int, tuple[tuple[int, int], ...]], ...]
    wakes: tuple[tuple[int, int], ...]


class _Gated(View):
    """The view that `drives_of` reads: gates are constants, so nothing is asked."""

    def state(self, region: str) -> str:
        """Never asked."""
        raise AssertionError(region)

    def flag(self, name: str) -> bool:
        """Never asked."""
        raise AssertionError(name)

    def quantity(self, name: str) -> float:
        """Never asked."""
        raise AssertionError(name)

    def happened(self, event: str) -> bool:
        """Never asked."""
        raise AssertionError(event)


class Store:
    """The tables that all parts of one shape share; they only grow."""

    def __init__(self, layout: Layout, fast: bool) -> None:
        self.layout = layout
        self.fast = fast
        self.loads: list[LoadSet] = []
        self.loads_id: dict[LoadSet, int] = {}
        self.mixes: list[Mix] = []
        self.mix_id: dict[Mix, int] = {}
        self.lap_id: dict[tuple[int, tuple[int, ...]], int] = {}
        self.laps: list[tuple[int, tuple[int, ...]]] = []  # region, its states in order
        self.lap_places: list[tuple[int, int]] = []  # first place, end
        self.moments: list[Moment] = []
        self.phase = Hashed()
        self.rest = Hashed()
        self.band = Hashed()
        columns = ("levels", "rest_major", "info_resting", "info_mix", "info_lap", "lap_start",
                   "lap_state")
        self._columns: dict[str, list[Any]] = {name: [] for name in columns}
        self._tables: tuple[tuple[int, ...], k.Tables] | None = None
        self._systems: dict[tuple[bool, ...], System] = {}
        self.model = layout.model

    def tables(self) -> k.Tables:
        """The tables as they stand; the same object while nothing has been added."""
        found = (len(self.phase.known), len(self.rest.known), len(self.band.known))
        if self._tables is not None and self._tables[0] == found:
            return self._tables[1]
        values = self._columns
        hashes = (self.phase, self.rest, self.band)  # as registers.PHASE, REST, BAND
        sizes = [len(one.keys) for one in hashes]
        tables = k.Tables(
            hash_key=[key for one in hashes for key in one.keys],
            hash_value=[value for one in hashes for value in one.values],
            hash_base=[0, sizes[0], sizes[0] + sizes[1]],
            hash_size=sizes,
            **values,
        )
        self._tables = (found, tables)
        return tables

    # -- load sets -------------------------------------------------------------------------------

    def loads_of(self, moment: Moment, states: tuple[int, ...]) -> int:
        """The number of the load set of a combination of states at a moment."""
        layout = self.layout
        key = layout.model.size[k.BARRED]
        gates: tuple[bool, ...] = ()
        if not moment.protected:
            key = sum(
                layout.model.phase_stride[layout.offset[r] + state]
                for r, state in enumerate(states)
            )
            truths = Truths(layout, moment, self.level)
            gates = tuple(truths.holds(show, states) for _, show in layout.gates)
            key += sum(
                weight for weight, gate in zip(layout.model.gate_weight, gates, strict=True)
                if gate
            )
        key = (key * 5 + moment.mode) * 16 + moment.warmth
        found = self.phase.known.get(key)
        if found is None:
            found = self._add_loads(self._load_set(moment, states, gates))
            self.phase.add(key, found)
        return found

    def _load_set(
        self, moment: Moment, states: tuple[int, ...], gates: tuple[bool, ...]
    ) -> LoadSet:
        layout = self.layout
        mode, warmth = MODES[moment.mode], layout.warmths_c[moment.warmth]
        if moment.protected:
            return LoadSet(controller="off", charger=mode, protected=True, temperature_c=warmth)
        system = self._systems.get(gates)
        if system is None:
            shown = {number: gate for (number, _), gate in zip(layout.gates, gates, strict=True)}
            system = self._systems[gates] = replace(
                layout.system,
                regions=tuple(
                    replace(region, show=Constant(shown[n])) if n in shown else region
                    for n, region in enumerate(layout.regions)
                ),
            )
        names = {
            region.name: region.states[state].name
            for region, state in zip(layout.regions, states, strict=True)
        }
        drives = drives_of(system, names, _Gated())
        return LoadSet(
            drives=tuple(
                sorted(
                    (name, drive.duty, -1 if drive.segments is None else drive.segments)
                    for name, drive in drives.items()
                )
            ),
            controller="awake" if is_awake(system, names) else "asleep",
            charger=mode,
            temperature_c=warmth,
        )

    def _add_loads(self, loads: LoadSet) -> int:
        if loads not in self.loads_id:
            self.loads_id[loads] = len(self.loads)
            self.loads.append(loads)
            driven = {name: (duty, segments) for name, duty, segments in loads.drives}
            levels = []
            for name in self.layout.outputs:
                duty, segments = driven.get(name, (0.0, -1))
                light = self.layout.gadget.lights.get(name)
                levels.append(
                    segments / light.leds if light is not None and light.segments and segments >= 0
                    else duty
                )
            self._columns["levels"].extend(levels)
        return self.loads_id[loads]

    def level(self, moment: Moment, states: tuple[int, ...], output: int) -> float:
        """The level of an output in a combination of states."""
        loads = self.loads_of(moment, states)
        return float(self._columns["levels"][loads * len(self.layout.outputs) + output])

    # -- what rests ------------------------------------------------------------------------------

    def add_rest(self, key: int, moment: Moment) -> tuple[int, int]:
        """A combination at rest has been met for the first time: its number, its load set."""
        laps = laps_of(self.layout, moment, self.level)
        states = majority(self.layout, moment.states, laps)
        major = self.loads_of(moment, states)
        self._columns["rest_major"].append(major)
        self.rest.add(key, len(self.moments))
        self.moments.append(moment)
        return len(self.moments) - 1, major

    def add_band(self, number: int, band: int) -> int:
        """A combination at rest has been met with the cell between other levels: its mix."""
        layout = self.layout
        moment = replace(self.moments[number], band=band)
        laps = laps_of(layout, moment, self.level)
        mix = self._mix(moment, laps)
        if mix not in self.mix_id:
            self.mix_id[mix] = len(self.mixes)
            self.mixes.append(mix)
        info = len(self._columns["info_mix"])
        self._columns["info_mix"].extend([self.mix_id[mix]])
        self._columns["info_resting"].extend([sum(1 << r for r in laps)])
        self._columns["info_lap"].extend(
            self._lap(r, laps[r]) if r in laps else -1 for r in range(len(layout.regions))
        )
        self.band.add((number << k.BITS) + band, info)
        return self.mix_id[mix]

    def _lap(self, region: int, states: tuple[int, ...]) -> int:
        key = (region, states)
        if key not in self.lap_id:
            self.lap_id[key] = len(self.laps)
            self.laps.append(key)
            first = len(self._columns["lap_state"])
            self._columns["lap_start"].extend([first])
            self._columns["lap_state"].extend(states)
            self.lap_places.append((first, first + len(states)))
        return self.lap_id[key]

    def _mix(self, moment: Moment, laps: Laps) -> Mix:
        layout = self.layout
        shares: dict[tuple[int, tuple[tuple[int, int], ...]], None] = {}
        combinations: list[tuple[tuple[int, ...], tuple[tuple[int, int], ...]]] = [
            (moment.states, ())
        ]
        for r, states in laps.items():
            first, _ = self.lap_places[self._lap(r, states)]
            grown = []
            for combined, places in combinations:
                for n, state in enumerate(states):
                    group = layout.groups[r][state]
                    if group[0][0] == 0:
                        continue  # it lasts no time
                    changed = (*combined[:r], state, *combined[r + 1 :])
                    grown.append((changed, (*places, (self._lap(r, states), first + n))))
            combinations = grown
        for combined, places in combinations:
            shares[self.loads_of(moment, combined), places] = None
        others_awake = any(
            layout.regions[r].states[state].awake
            for r, state in enumerate(moment.states) if r not in laps
        )
        wakes = []
        for r, states in laps.items():
            awake = [layout.regions[r].states[state].awake for state in states]
            count = sum(now and not before for before, now in zip([awake[-1], *awake], awake,
                                                                  strict=False))
            if count and not others_awake:
                wakes.append((self._lap(r, states), count))
        return Mix(tuple(shares), tuple(wakes))

