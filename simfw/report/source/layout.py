"""What the entries of the C tables are: the numbers of a plan, put in the order of the tables.

Rows that wait for an event stand by event, in the order in which an instant offers it. Rows that
wait for a time stand behind them by time; the times are numbered on from the events, those of one
stay in a row and the shortest first. What drives an output stands by output. States
of a region are numbered in a row, so that "in one of these states" is a range; a row whose states
are not neighbours has an entry for each run of them.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from collections.abc import Sequence as Sequence_
from dataclasses import dataclass

from simfw.behaviour.expression import names_in
from simfw.behaviour.region import Region, Row, Sequence, State, System
from simfw.report.source.entries import Dialled, Entry, Scales, runs
from simfw.report.source.plan import (
    Output,
    Plan,
    StateRef,
    drive_level,
)
from simfw.report.source.steps import grouped, leaps, reach
from simfw.report.source.tick import Length, lengths_of

__all__ = ["DIAL_DRIVE_SIZE", "DIAL_SCALE_SIZE", "Entry", "Layout", "lay_out", "mask_bits"]

DIAL_DRIVE_SIZE, DIAL_SCALE_SIZE = 6, 7  # fields of an entry
NONE, SAME, RESUME = "FW_NONE", "FW_SAME", "FW_RESUME"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """All tables.

    `id_rows` tells where the rows of each event, and of each time, begin. `state_times` is the
    first time of a state, `time_lengths` which of `lengths` each time has, and whether a later one
    follows. `timed` regions from the first on have a running time; `memory` is the range of regions
    that remember a resume point. `scales` holds, for each output from `output_scales` on, in which
    states of a region its place in `scaled` moves on by how much; there stands, for each level that
    is given, the rank that comes out, from `scaled_first` on (None: the output is not scaled).
    Where levels are multiplied, the place is one in `factors`, and what they multiply stands in
    `given` from `given_first` on.
    `dial_drives` and `dial_scales` say the same of states that drive or scale by a dial;
    `dial_ranks` holds the levels of positions.
    `clocks` holds the region and the output of each clock of a sequence, `plays`, from
    `clock_plays` on, which of `sequences` it goes through in which states; `sequences` tells where
    the steps of each begin, the `endless` ones first.
    """

    rows: tuple[Entry, ...]
    id_rows: tuple[int, ...]
    state_times: tuple[int | None, ...]
    time_lengths: tuple[tuple[int, bool], ...]
    lengths: tuple[Length, ...]
    emits: tuple[Entry, ...]
    flags: tuple[Entry, ...]
    state_outputs: tuple[int, ...]
    gated_outputs: int
    drives: tuple[Entry, ...]
    output_drives: tuple[int, ...]
    levels: tuple[int, ...]
    output_levels: tuple[int | None, ...]
    conditions: tuple[Entry, ...]
    starts: tuple[Entry, ...]
    resumes: tuple[Entry, ...]
    found: tuple[Entry, ...]
    timed: int
    memory: range
    gates_read_inputs: bool
    plain_takes: bool
    gated_takes: bool
    clocks: tuple[Entry, ...]
    clock_plays: tuple[int, ...]
    plays: tuple[Entry, ...]
    sequences: tuple[int, ...]
    endless: int
    step_lengths: tuple[int, ...]
    step_ranks: tuple[int, ...]
    scales: tuple[Entry, ...]
    output_scales: tuple[int, ...]
    scaled_first: tuple[int | None, ...]
    scaled: tuple[int, ...]
    factors: tuple[int, ...]
    given: tuple[int, ...]
    given_first: tuple[int | None, ...]
    dial_drives: tuple[Entry, ...]
    output_dial_drives: tuple[int, ...]
    dial_ranks: tuple[int, ...]
    dial_scales: tuple[Entry, ...]
    output_dial_scales: tuple[int, ...]
    kept: tuple[Entry, ...]
    steps: tuple[int, int]

    @property
    def awake(self) -> bool:
        """Whether some state keeps the controller awake."""
        return any("FW_STATE_AWAKE" in entry.fields[0] for entry in self.flags)

    @property
    def kept_but(self) -> bool:
        """Whether a region that is kept has states that are not: they let go of the supply."""
        return any("FW_STATE_UNPOWERED" in entry.fields[0] for entry in self.flags)

    @property
    def largest(self) -> int:
        """The largest number that a table holds or that counts its entries."""
        return max(
            len(self.drives), len(self.levels), len(self.flags), len(self.conditions),
            len(self.starts), 2 * len(self.lengths), len(self.id_rows) + len(self.emits),
            4 * len(self.scales), len(self.scaled), len(self.factors), len(self.given),
            DIAL_DRIVE_SIZE * len(self.dial_drives),
            len(self.dial_ranks), DIAL_SCALE_SIZE * len(self.dial_scales),
            len(self.clocks), len(self.plays), len(self.sequences),
            len(self.flags) + sum(self.steps) + 1 if any(self.steps) else 0,
        )  # fmt: skip


def _order(length: Length) -> tuple[int, bool, tuple[int, ...]]:
    """The shortest first."""
    return length.ns, length.short, length.parts


@dataclass(frozen=True, slots=True)
class _Stay:
    """The times that run while a region stays in one of these states, the shortest first: each with
    the numbers of its rows.
    """

    region: str
    states: list[str]
    times: tuple[tuple[Length, tuple[int, ...]], ...]


class _Times:
    """The times of all states. States of a region in which the same rows wait for the same times
    share them.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.stays: list[_Stay] = []
        lengths = lengths_of(plan.system)
        for region in plan.system.regions:
            numbers = [n for n, (one, row) in enumerate(plan.rows)
                       if one is region and row.on is None]  # fmt: skip
            for state in region.states:
                waiting: dict[Length, list[int]] = {}
                for number in numbers:
                    row = plan.rows[number][1]
                    if state.name in row.sources:
                        waiting.setdefault(lengths[row.key], []).append(number)
                if waiting:
                    self._add(region.name, state.name, waiting)
        # The steps of sequences have lengths among them.
        steps = {Length(lasts_ns) for _, _, one in played(plan.system)
                 for lasts_ns, _ in one.steps}
        self.lengths = tuple(
            sorted({one for stay in self.stays for one, _ in stay.times} | steps, key=_order)
        )

    def _add(self, region: str, state: str, waiting: Mapping[Length, list[int]]) -> None:
        times = tuple((one, tuple(waiting[one])) for one in sorted(waiting, key=_order))
        for stay in self.stays:
            if (stay.region, stay.times) == (region, times):
                stay.states.append(state)
                return
        self.stays.append(_Stay(region, [state], times))

    def by_state(self, first: int) -> tuple[int | None, ...]:
        """The first time of each state; times are numbered from `first` on."""
        found: dict[tuple[str, str], int] = {}
        for stay in self.stays:
            found |= dict.fromkeys(((stay.region, state) for state in stay.states), first)
            first += len(stay.times)
        return tuple(found.get((ref.region, ref.state)) for ref in self.plan.states)

    def lengths_of_times(self) -> Iterator[tuple[int, bool]]:
        """Of each time, which length it has, and whether a later one follows in the same stay."""
        for stay in self.stays:
            for place, (one, _) in enumerate(stay.times, start=1):
                yield self.lengths.index(one), place < len(stay.times)


class _Emits:
    """What rows emit: nothing, one event by its number, or a list that is kept once."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.entries: list[Entry] = []
        self.kept: dict[tuple[str, ...], int] = {}

    def of(self, row: Row) -> str:
        if not row.emit:
            return NONE
        if len(row.emit) == 1:
            return self.plan.events[row.emit[0]]
        if row.emit not in self.kept:
            self.kept[row.emit] = len(self.entries)
            self.entries += [Entry((self.plan.events[event],)) for event in row.emit]
            self.entries.append(Entry((NONE,)))
        return f"FW_EVENT_COUNT + {self.kept[row.emit]}u"


class _Outputs:
    """Which outputs may change when a state is entered or left, as bits; with many outputs, several
    share one.
    """

    def __init__(self, plan: Plan) -> None:
        self.bit = {output.name: 1 << number % mask_bits(plan)
                    for number, output in enumerate(plan.outputs)}  # fmt: skip
        self.gated = 0
        for region in plan.system.regions:
            if region.show is not None:
                for state in region.states:
                    self.gated |= self._bits(state.outputs)
        # What the gates read: states of regions, levels of lights, anything from outside.
        self.regions: set[str] = set()
        self.lights: set[str] = set()
        self.outside = False
        for show in plan.shows:
            asked = names_in(show)
            self.regions |= asked.regions
            for name in asked.quantities:
                if name == "gauge":
                    self.regions.add("gauge")
                elif name in self.bit:
                    self.lights.add(name)
                else:
                    self.outside = True
            self.outside |= bool(asked.flags)

    def _bits(self, names: Iterable[str]) -> int:
        found = 0
        for name in names:
            found |= self.bit.get(name, 0)  # what nobody drives may be scaled all the same
        return found

    def of(self, region: Region, state: State) -> int:
        """The outputs of a state."""
        bits = self._bits(state.touches)
        if region.name in self.regions or self.lights & set(state.touches):
            bits |= self.gated
        return bits


def mask_bits(plan: Plan) -> int:
    """The bits of a mask of outputs: 8, 16 or 32."""
    return next((bits for bits in (8, 16) if len(plan.outputs) <= bits), 32)


class _Drives:
    """What drives each output: lists by output, those behind a gate apart."""

    def __init__(self, plan: Plan, takes: bool) -> None:
        self.plan, self.takes = plan, takes
        self.marked = takes or bool(plan.shows)
        self.entries: list[Entry] = []
        self.first: list[int] = []
        for output in plan.outputs:
            self._add(output, gated=False)
            if plan.shows:
                self._add(output, gated=True)
        self.first.append(len(self.entries))

    def takes_in(self, *, gated: bool) -> bool:
        """Whether something is put out again among those behind a gate, or among the others."""
        lists = zip(self.first[:-1], self.first[1:], strict=True)
        return any(
            "FW_DRIVE_TAKES" in entry.fields[-1]
            for place, (first, end) in enumerate(lists)
            if (place % 2 == 1 and bool(self.plan.shows)) == gated
            for entry in self.entries[first:end]
        )

    def _add(self, output: Output, *, gated: bool) -> None:
        self.first.append(len(self.entries))
        groups: dict[str, list[Region]] = {}
        for region in self.plan.system.regions:
            groups.setdefault(region.group, []).append(region)
        for regions in groups.values():
            lit = [
                entry
                for region in regions
                if (region.show is not None) == gated
                for entry in self._ranges(region, output, taking=False)
            ]
            if lit:
                lit += [
                    entry
                    for region in regions
                    for entry in self._ranges(region, output, taking=True)
                ]
                if self.takes:
                    lit[-1] = _ended(lit[-1])
                self.entries += lit

    def _ranges(self, region: Region, output: Output, *, taking: bool) -> list[Entry]:
        by_rank: dict[int, list[int]] = {}
        for state in region.states:
            number = self.plan.state_numbers[StateRef(region.name, state.name)]
            if taking:
                rank = state.takes_out.get(output.name, 0)
            elif (drive := state.outputs.get(output.name)) is not None and drive.dial is None:
                rank = output.given(drive_level(drive))
            else:
                rank = 0
            if rank:
                by_rank.setdefault(rank, []).append(number)
        mark = "FW_DRIVE_TAKES" if taking else "0u"
        if region.show is not None and not taking:
            mark = f"{self.plan.shows.index(region.show)}u * FW_DRIVE_GATE"
        names = list(self.plan.states.values())
        what = "put out" if taking else f"{output.name}"
        return [
            Entry(
                (self.plan.regions[region.name], names[first], names[last], f"{rank}u",
                 *([mark] if self.marked else [])),
                f"{what}: {region.name}",
            )
            for rank, numbers in by_rank.items()
            for first, last in runs(numbers)
        ]  # fmt: skip


def played(system: System) -> Iterator[tuple[Region, State, Sequence]]:
    """Every sequence that some state plays."""
    for region in system.regions:
        for state in region.states:
            for one in state.sequences.values():
                yield region, state, one


# Whether a sequence has an end, and its steps: which length, which rank.
_Played = tuple[bool, tuple[tuple[int, int], ...]]


class _Clocks:
    """What goes through sequences: a clock for each output that a region drives in time."""

    def __init__(self, plan: Plan, lengths: Sequence_[Length]) -> None:
        numbers = {one: number for number, one in enumerate(lengths)}
        names = list(plan.states.values())
        self.clocks: list[Entry] = []
        self.first: list[int] = []
        self.plays: list[Entry] = []
        found: dict[_Played, None] = {}
        states: list[tuple[str, str, str, _Played]] = []
        for clock in plan.system.clocks:
            region = plan.system.region(clock.follows)
            (name,) = {name for state in clock.states for name in state.outputs} or {
                clock.name.partition(":")[2]}
            output = plan.output(name)
            assert output is not None
            self.first.append(len(states))
            self.clocks.append(Entry((plan.regions[region.name], output.macro), clock.name))
            by_steps: dict[_Played, list[int]] = {}
            for state in region.states:
                one = state.sequences.get(name)
                if one is not None:
                    steps = tuple((numbers[Length(lasts_ns)], output.given(drive_level(drive)))
                                  for lasts_ns, drive in one.steps) * (one.times or 1)
                    key = (one.times is not None, steps)
                    found[key] = None
                    number = plan.state_numbers[StateRef(region.name, state.name)]
                    by_steps.setdefault(key, []).append(number)
            for played_so, played_in in by_steps.items():
                states += [(clock.name, names[low], names[high], played_so)
                           for low, high in runs(played_in)]
        self.first.append(len(states))
        ordered = sorted(found, key=lambda key: key[0])
        self.endless = sum(not finite for finite, _ in ordered)
        self.plays = [Entry((low, high, f"{ordered.index(key)}u"), name)
                      for name, low, high, key in states]
        self.sequences = list(itertools.accumulate((len(steps) for _, steps in ordered), initial=0))
        self.lengths = [length for _, steps in ordered for length, _ in steps]
        self.ranks = [rank for _, steps in ordered for _, rank in steps]
        if not self.clocks:
            self.first, self.sequences = [], []


def _ended(entry: Entry) -> Entry:
    return Entry((*entry.fields[:-1], f"{entry.fields[-1]} + FW_DRIVE_ENDS"), entry.text)


def _levels(outputs: Sequence_[Output]) -> tuple[list[int], list[int | None]]:
    """The levels by rank; equal lists are kept once, and a rank that is a number needs none."""
    levels: list[int] = []
    first: list[int | None] = []
    kept: dict[tuple[int, ...], int] = {}
    for output in outputs:
        if output.segments is not None or output.words:
            first.append(None)
            continue
        numbers = tuple(number for number, _ in output.levels)
        if numbers not in kept:
            kept[numbers] = len(levels)
            levels += numbers
        first.append(kept[numbers])
    return levels, first


def _kept(plan: Plan) -> Iterator[Entry]:
    """What is kept over a power loss: the region, its first and last state, whether it is what it
    would resume and not its state.
    """
    for region in plan.system.regions:
        if region.kept is not None:
            ends = (StateRef(region.name, region.states[place].name) for place in (0, -1))
            yield Entry((plan.regions[region.name], *(plan.states[end] for end in ends),
                         f"{int(region.kept == 'resume')}u"), f"{region.name}: {region.kept}")


def lay_out(plan: Plan) -> Layout:
    """Put everything in its table."""
    regions = plan.system.regions
    emits = _Emits(plan)

    def guard(row: Row) -> str:
        return NONE if row.when is None else f"{plan.guards.index(row.when)}u"

    def target(region: Region, row: Row) -> str:
        to = {"same": SAME, "resume": RESUME}.get(row.to)
        return to or plan.states[StateRef(region.name, row.to)]

    names = list(plan.states.values())

    def entries(number: int, states: Iterable[str]) -> list[Entry]:
        """The entries of a row, for these of its states."""
        region, row = plan.rows[number]
        numbers = (plan.state_numbers[StateRef(region.name, state)] for state in states)
        return [
            Entry((plan.regions[region.name], names[first], names[last], guard(row),
                   target(region, row), emits.of(row)), f"{number}: {row.key}")
            for first, last in runs(numbers)
        ]  # fmt: skip

    down, up = reach(regions)

    def stepped(region: Region, rows: list[Row]) -> list[Entry]:
        """The entries of the rows of a dial: a distance is told from FW_STEP_ZERO on."""
        first = plan.state_numbers[StateRef(region.name, region.states[0].name)]
        return [
            Entry((plan.regions[region.name], names[first + one.first], names[first + one.last],
                   guard(one.row),
                   SAME if one.to is None and one.by is None else
                   names[first + one.to] if one.to is not None else
                   f"FW_STEP_ZERO {'-' if (one.by or 0) < 0 else '+'} {abs(one.by or 0)}u",
                   emits.of(one.row)), one.row.key)
            for one in leaps(region, rows)
        ]  # fmt: skip

    lists: list[list[Entry]] = []
    for event in plan.events:
        lists.append([])
        dials: set[str] = set()
        for number, (region, row) in enumerate(plan.rows):
            if row.on == event and region.group != "dials":
                lists[-1] += entries(number, row.sources)
            elif row.on == event and region.name not in dials:
                dials.add(region.name)
                lists[-1] += [entry for (_, on), rows in grouped(region).items() if on == event
                              for entry in stepped(region, rows)]
    times = _Times(plan)
    for stay in times.stays:
        for _, numbers in stay.times:
            lists.append([])
            for number in numbers:
                lists[-1] += entries(number, stay.states)
    flags: list[Entry] = []
    state_outputs: list[int] = []
    outputs = _Outputs(plan)
    for region in regions:
        for state in region.states:
            state_outputs.append(outputs.of(region, state))
            marks = [
                mark
                for mark, is_set in (
                    ("FW_STATE_AWAKE", state.awake),
                    ("FW_STATE_RESUMES", state.name in region.resume_points),
                    ("FW_STATE_UNPOWERED", state.unpowered and region.kept == "state"),
                )
                if is_set
            ]
            flags.append(Entry((" | ".join(marks) or "0u",), f"{region.name}: {state.name}"))
    takes = any(state.takes_out for region in regions for state in region.states)
    drives = _Drives(plan, takes)
    scales = Scales(plan)
    dialled = Dialled(plan)
    levels, output_levels = _levels(plan.outputs)
    clocks = _Clocks(plan, times.lengths)
    remembering = [number for number, region in enumerate(regions) if region.resume_points]
    memory = range(remembering[0], remembering[-1] + 1) if remembering else range(0)
    running = [n for n, region in enumerate(regions) if any(row.on is None for row in region.rows)]
    return Layout(
        rows=tuple(entry for some in lists for entry in some),
        id_rows=tuple(itertools.accumulate((len(some) for some in lists), initial=0)),
        state_times=times.by_state(len(plan.events)),
        time_lengths=tuple(times.lengths_of_times()),
        lengths=times.lengths,
        emits=tuple(emits.entries),
        flags=tuple(flags),
        state_outputs=tuple(state_outputs),
        gated_outputs=outputs.gated,
        drives=tuple(drives.entries),
        output_drives=tuple(drives.first),
        levels=tuple(levels),
        output_levels=tuple(output_levels),
        conditions=tuple(
            Entry((f"{plan.guards.index(item.when)}u", plan.events[item.rises],
                   plan.events[item.falls]), item.key)
            for item in plan.system.conditions
        ),
        starts=tuple(
            Entry((plan.states[StateRef(region.name, region.starts)],), region.name)
            for region in regions
        ),
        resumes=tuple(
            Entry((plan.states[StateRef(one.name, (*one.resume_points, one.starts)[0])],), one.name)
            for one in (regions[number] for number in memory)
        ),
        found=tuple(Entry((signal.macro,)) for signal in plan.signals if signal.at_power_up),
        timed=running[-1] + 1 if running else 0,
        memory=memory,
        gates_read_inputs=outputs.outside,
        plain_takes=drives.takes_in(gated=False),
        gated_takes=drives.takes_in(gated=True),
        clocks=tuple(clocks.clocks),
        clock_plays=tuple(clocks.first),
        plays=tuple(clocks.plays),
        sequences=tuple(clocks.sequences),
        endless=clocks.endless,
        step_lengths=tuple(clocks.lengths),
        step_ranks=tuple(clocks.ranks),
        scales=tuple(scales.entries),
        output_scales=tuple(scales.first),
        scaled_first=tuple(scales.places),
        scaled=tuple(scales.ranks),
        factors=tuple(scales.factors),
        given=tuple(scales.given),
        given_first=tuple(scales.given_first),
        dial_drives=tuple(dialled.entries),
        output_dial_drives=tuple(dialled.first),
        dial_ranks=tuple(dialled.ranks),
        dial_scales=tuple(scales.dialled),
        output_dial_scales=tuple(scales.dialled_first),
        kept=tuple(_kept(plan)),
        steps=(down, up),
    )  # fmt: skip
